import { angleBetweenQuats, mulInverseQuat, rotateVecInverse } from '../math/quat.ts';
import { distanceVec, subVec } from '../math/vec.ts';
import { PARENT_ROLE, ROLES, type Role } from '../pairing/roles.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import type { BodyPoint, Json, Measure, Where } from './measure.ts';
import { MEASURE_RULES } from './thresholds.ts';
import { LIMB_NAMES, pathOf, pointInPose, rotationIndex, type Track } from './track.ts';

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
      const off = new Float64Array(target.frameCount);
      let least = 1;
      let most = 1;
      for (let f = 0; f < target.frameCount; f++) {
        const ratio = distanceVec(from, f * 3, to, f * 3) / length;
        off[f] = Math.abs(ratio - 1);
        least = Math.min(least, ratio);
        most = Math.max(most, ratio);
        worst = Math.max(worst, off[f]!);
      }
      const role = limb.roles[part];
      details[role] = { shortest: least, longest: most };
      places.push(...placesAbove(target, role, limb[part].joint, off, threshold));
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
    let most = 0;
    for (let f = 0; f < target.frameCount; f++) {
      gap[f] = distanceVec(stump, f * 3, end, f * 3) / target.legLength;
      most = Math.max(most, gap[f]!);
    }
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
    const own = range(target, role, sharedFrames);
    const its = range(source, role, sharedFrames);
    if (own === null || its === null) continue;
    judged++;
    if (own.degrees >= STILL_DEGREES || its.degrees <= MOVING_DEGREES) continue;
    places.push({
      role,
      joint: target.figure.skeleton.names[own.joint]!,
      frames: [0, sharedFrames - 1],
      worstFrame: 0,
      value: 1,
      note: `the source turns by ${its.degrees.toFixed(0)}°`,
    });
  }
  if (judged === 0) return notMeasured(evidence, 'still-joints', 'no joint is paired on both figures');
  return measured(evidence, 'still-joints', places.length, places, { joints: judged });
}

/** Largest turn of a joint against the role above it, from its first frame. */
function range(track: Track, role: Role, frameCount: number): { joint: number; degrees: number } | null {
  const joint = track.figure.roles[role];
  if (joint === undefined) return null;
  let parent: number | null = null;
  for (let up = PARENT_ROLE[role]; up !== null && parent === null; up = PARENT_ROLE[up])
    parent = track.figure.roles[up] ?? null;
  const first = new Float64Array(4);
  const now = new Float64Array(4);
  let degrees = 0;
  for (let f = 0; f < frameCount; f++) {
    const own = rotationIndex(track, f, joint);
    if (parent === null) for (let k = 0; k < 4; k++) now[k] = track.rotations[own + k]!;
    else mulInverseQuat(now, 0, track.rotations, rotationIndex(track, f, parent), track.rotations, own);
    if (f === 0) first.set(now);
    else degrees = Math.max(degrees, (angleBetweenQuats(first, 0, now, 0) * 180) / Math.PI);
  }
  return { joint, degrees };
}
