import { angleBetweenQuats, copyQuat, mulInverseQuat, rotateVecInverse } from '../math/quat.ts';
import { distanceVec, subVec } from '../math/vec.ts';
import { PARENT_ROLE, ROLES, type Role } from '../pairing/roles.ts';
import { oncePerKey } from '../skeleton/once-per.ts';
import { LIMB_NAMES, pointInPose } from './build.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import type { BodyPoint, Json, Measure, Where } from './measure.ts';
import { MEASURE_RULES } from './thresholds.ts';
import { jointTurns, pathOf, type Track } from './track.ts';

/** Limb stretch, limb gaps and joints that stay still. */
export function measureRig(evidence: Evidence): Measure[] {
  return [limbStretch(evidence), limbGap(evidence), stillJoints(evidence)];
}

function limbStretch(evidence: Evidence): Measure {
  const { target } = evidence;
  const places: Where[] = [];
  const details: { [key: string]: Json } = {};
  const threshold = (evidence.options.allowedStretch ?? 0) + MEASURE_RULES['limb-stretch'].threshold;
  let worst = 0;
  let taken = 0;
  for (const name of LIMB_NAMES) {
    const limb = target.limbs[name];
    if (!limb) continue;
    taken++;
    const middle = pathOf(target, limb.middle);
    for (const [part, from, to, length] of [
      ['root', pathOf(target, limb.root), middle, limb.upper],
      ['middle', middle, pathOf(target, limb.end), limb.lower],
    ] as const) {
      // A detached hand or foot leaves a gap, which is measured as such.
      if (part === 'middle' && isDetached(target, limb.middle, limb.end)) continue;
      const ratios = new Float64Array(target.frameCount);
      distancesOver(ratios, from, to, length);
      const { least, most } = extremes(ratios, 1);
      const off = Math.max(1 - least, most - 1);
      worst = Math.max(worst, off);
      const role = limb.roles[part];
      details[role] = { shortest: least, longest: most };
      if (off <= threshold) continue;
      const offs = ratios.map((ratio) => Math.abs(ratio - 1));
      places.push(...placesAbove(target, role, limb[part].joint, offs, threshold));
    }
  }
  if (taken === 0 || target.frameCount === 0)
    return notMeasured(evidence, 'limb-stretch', 'no limb with three joints was paired');
  const result = measured(evidence, 'limb-stretch', worst, places, details);
  if (!evidence.options.allowedStretch || evidence.options.thresholds?.['limb-stretch'] !== undefined) return result;
  const fails = worst > threshold;
  return {
    ...result,
    threshold,
    verdict: fails ? 'fail' : 'pass',
    where: fails ? result.where : [],
    remedy: fails ? result.remedy : null,
  };
}

/** Whether the end of a limb hangs somewhere else in the joint tree. */
function isDetached(track: Track, middle: BodyPoint, end: BodyPoint): boolean {
  const { subtreeEnd } = track.figure.skeleton;
  return !(end.joint >= middle.joint && end.joint < subtreeEnd[middle.joint]!);
}

/** The end of the shin is fixed to it as in the rest pose; the foot should be there. */
function limbGap(evidence: Evidence): Measure {
  const { target } = evidence;
  const places: Where[] = [];
  const details: { [key: string]: Json } = {};
  let worst = 0;
  let taken = 0;
  for (const name of LIMB_NAMES) {
    const limb = target.limbs[name];
    if (!limb || target.figure.roles[limb.roles.end] === undefined) continue;
    taken++;
    const offset = new Float64Array(3);
    pointInPose(target.rest, limb.end, offset, 0);
    subVec(offset, 0, offset, 0, target.rest.positions, limb.middle.joint * 3);
    rotateVecInverse(offset, 0, target.rest.rotations, limb.middle.joint * 4, offset, 0);
    const stump = pathOf(target, { joint: limb.middle.joint, offset: [offset[0]!, offset[1]!, offset[2]!] });
    const end = pathOf(target, limb.end);
    const gap = new Float64Array(target.frameCount);
    distancesOver(gap, stump, end, target.legLength);
    const { most } = extremes(gap, 0);
    worst = Math.max(worst, most);
    details[name] = { worst: most, detached: isDetached(target, limb.middle, limb.end) };
    places.push(...placesAbove(target, limb.roles.end, limb.end.joint, gap, MEASURE_RULES['limb-gap'].threshold, 4));
  }
  if (taken === 0 || target.frameCount === 0 || !target.legLength)
    return notMeasured(evidence, 'limb-gap', 'no limb with a foot or hand joint was paired');
  return measured(evidence, 'limb-gap', worst, places, details);
}

const STILL_DEGREES = 0.5;
const MOVING_DEGREES = 10;

function stillJoints(evidence: Evidence): Measure {
  const { target, source, sharedFrames } = evidence;
  if (!source) return notMeasured(evidence, 'still-joints', 'there is no source to compare with');
  const places: Where[] = [];
  let judged = 0;
  for (const role of ROLES) {
    // Toes lie level on the floor while the foot stands, and keep to a foot that has no ball to bend at.
    if (role === 'leftToes' || role === 'rightToes') continue;
    const joint = target.figure.roles[role];
    if (joint === undefined || source.figure.roles[role] === undefined) continue;
    judged++;
    const its = mostTurned(source, role);
    if (its <= MOVING_DEGREES || turnsBeyond(target, role, STILL_DEGREES, sharedFrames)) continue;
    places.push({
      role,
      joint: target.figure.skeleton.names[joint]!,
      frames: [0, sharedFrames - 1],
      worstFrame: 0,
      value: 1,
      note: `the source turns by ${its.toFixed(0)}°`,
    });
  }
  if (judged === 0) return notMeasured(evidence, 'still-joints', 'no joint is paired on both figures');
  return measured(evidence, 'still-joints', places.length, places, { joints: judged });
}

/** Largest turn of a joint of the source against the role above it, from its first frame, degrees. */
const mostTurned = oncePerKey((track: Track, role: Role): number => {
  const [own, parent] = turnsOf(track, role);
  return largestTurn(own, parent, track.frameCount, Number.POSITIVE_INFINITY);
});

/** Whether a joint turns by so many degrees. Most do in a few frames, and the rest is not looked at. */
function turnsBeyond(track: Track, role: Role, degrees: number, frameCount: number): boolean {
  const [own, parent] = turnsOf(track, role);
  return largestTurn(own, parent, frameCount, degrees) >= degrees;
}

function turnsOf(track: Track, role: Role): [own: Float64Array, parent: Float64Array | null] {
  let parent: number | null = null;
  for (let up = PARENT_ROLE[role]; up !== null && parent === null; up = PARENT_ROLE[up])
    parent = track.figure.roles[up] ?? null;
  return [jointTurns(track, track.figure.roles[role]!), parent === null ? null : jointTurns(track, parent)];
}

const first = new Float64Array(4);
const now = new Float64Array(4);

/** Largest turn from the first frame in degrees; the search ends at the first one that reaches `enough`. */
function largestTurn(own: Float64Array, parent: Float64Array | null, frameCount: number, enough: number): number {
  // Cosines of half the angle order the turns; only a larger one is worth its arc.
  let least = 1;
  let degrees = 0;
  for (let f = 0; f < frameCount && degrees < enough; f++) {
    if (parent === null) copyQuat(now, 0, own, f * 4);
    else mulInverseQuat(now, 0, parent, f * 4, own, f * 4);
    if (f === 0) copyQuat(first, 0, now, 0);
    const cos = Math.abs(first[0]! * now[0]! + first[1]! * now[1]! + first[2]! * now[2]! + first[3]! * now[3]!);
    if (cos > least + 1e-12) continue;
    least = Math.min(least, cos);
    degrees = Math.max(degrees, (angleBetweenQuats(first, 0, now, 0) * 180) / Math.PI);
  }
  return degrees;
}

/** out = the distance between two paths in each frame, divided by a length. */
function distancesOver(out: Float64Array, a: Float64Array, b: Float64Array, length: number): void {
  for (let f = 0; f < out.length; f++) out[f] = distanceVec(a, f * 3, b, f * 3) / length;
}

/** Smallest and largest of some values and of what they are measured from. */
function extremes(values: Float64Array, from: number): { least: number; most: number } {
  let least = from;
  let most = from;
  for (let f = 0; f < values.length; f++) {
    if (values[f]! < least) least = values[f]!;
    if (values[f]! > most) most = values[f]!;
  }
  return { least, most };
}
