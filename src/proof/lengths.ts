import { rotateAddVec, rotateVecInverse } from '../math/quat.ts';
import { distanceVec, subVec } from '../math/vec.ts';
import { LIMB_NAMES, pointInPose } from './build.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import type { BodyPoint, Json, Measure, Where } from './measure.ts';
import { MEASURE_RULES } from './thresholds.ts';
import { jointPath, jointTurns, pathOf, type Track } from './track.ts';

/** Limb stretch and limb gaps. */
export function measureLengths(evidence: Evidence): Measure[] {
  return [limbStretch(evidence), limbGap(evidence)];
}

function limbStretch(evidence: Evidence): Measure {
  const { target } = evidence;
  const places: Where[] = [];
  const details: { [key: string]: Json } = {};
  const threshold = (evidence.options.allowedStretch ?? 0) + MEASURE_RULES['limb-stretch'].threshold;
  let worst = 0;
  let taken = 0;
  // Of one segment after the other.
  const ratios = new Float64Array(target.frameCount);
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
  // Of one limb after the other.
  const gap = new Float64Array(target.frameCount);
  for (const name of LIMB_NAMES) {
    const limb = target.limbs[name];
    if (!limb || target.figure.roles[limb.roles.end] === undefined) continue;
    taken++;
    const offset = new Float64Array(3);
    pointInPose(target.rest, limb.end, offset, 0);
    subVec(offset, 0, offset, 0, target.rest.positions, limb.middle.joint * 3);
    rotateVecInverse(offset, 0, target.rest.rotations, limb.middle.joint * 4, offset, 0);
    const { joint } = limb.middle;
    const end = pathOf(target, limb.end);
    distancesFromPoint(gap, jointTurns(target, joint), jointPath(target, joint), offset, end, target.legLength);
    const { most } = extremes(gap, 0);
    worst = Math.max(worst, most);
    details[name] = { worst: most, detached: isDetached(target, limb.middle, limb.end) };
    places.push(...placesAbove(target, limb.roles.end, limb.end.joint, gap, MEASURE_RULES['limb-gap'].threshold, 4));
  }
  if (taken === 0 || target.frameCount === 0 || !target.legLength)
    return notMeasured(evidence, 'limb-gap', 'no limb with a foot or hand joint was paired');
  return measured(evidence, 'limb-gap', worst, places, details);
}

/** out = the distance between two paths in each frame, divided by a length. */
function distancesOver(out: Float64Array, a: Float64Array, b: Float64Array, length: number): void {
  for (let f = 0; f < out.length; f++) out[f] = distanceVec(a, f * 3, b, f * 3) / length;
}

const stump = new Float64Array(3);

/** out = the distance between a point at an offset of a joint and a path in each frame, divided by a length. */
function distancesFromPoint(
  out: Float64Array,
  rotations: Float64Array,
  positions: Float64Array,
  offset: Float64Array,
  path: Float64Array,
  length: number,
): void {
  for (let f = 0; f < out.length; f++) {
    rotateAddVec(stump, 0, rotations, f * 4, offset, 0, positions, f * 3);
    out[f] = distanceVec(stump, 0, path, f * 3) / length;
  }
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
