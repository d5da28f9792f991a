import { mulInverseQuat } from '../math/quat.ts';
import { distanceVec } from '../math/vec.ts';
import { PARENT_ROLE, ROLES, type Role } from '../pairing/roles.ts';
import { SIDES } from '../skeleton/side.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import type { Json, Measure, Where } from './measure.ts';
import { quantile } from './statistics.ts';
import { MEASURE_RULES } from './thresholds.ts';
import { positionIndex, rotationIndex, type Track } from './track.ts';

const DEGREES = 180 / Math.PI;
/** A jump counts when it goes beyond this many times what the source does in the frames around. */
const SOURCE_FACTOR = 1.5;
/** Frames before and after in which the source may do it as well. */
const WINDOW = 3;
/** Without a source: what the joint itself does in this many frames before and after, leaving out the nearest two. */
const OWN_WINDOW = 12;

/** Fingers, eyes and jaw are small and quick. */
const JUDGED: readonly Role[] = ROLES.filter((role) => !/Thumb|Index|Middle|Ring|Little|Eye|jaw/.test(role));

/** Joints among which rigs share out one bend: what the source does in all of them, the target may do in one. */
const SHARED_BENDS: readonly (readonly Role[])[] = [
  ['spine', 'chest', 'upperChest'],
  ['neck', 'head'],
  ...SIDES.flatMap((side): Role[][] => [
    [`${side}Shoulder`, `${side}UpperArm`],
    [`${side}LowerArm`, `${side}Hand`],
    [`${side}Foot`, `${side}Toes`],
  ]),
];

/** Nearest role above that the figure has. */
function parentJoint(track: Track, role: Role): number | null {
  for (let up = PARENT_ROLE[role]; up !== null; up = PARENT_ROLE[up]) {
    const joint = track.figure.roles[up];
    if (joint !== undefined) return joint;
  }
  return null;
}

/**
 * Half the second difference of a joint's rotation against the joint above, in degrees: a single frame that is turned
 * away by an angle shows that angle there, and half of it before and after. It is the angular acceleration × dt² / 2.
 */
function rotationJumps(track: Track, role: Role, frameCount: number): Float64Array | null {
  const joint = track.figure.roles[role];
  if (joint === undefined) return null;
  const parent = parentJoint(track, role);
  const local = new Float64Array(frameCount * 4);
  for (let f = 0; f < frameCount; f++) {
    const own = rotationIndex(track, f, joint);
    if (parent === null) for (let k = 0; k < 4; k++) local[f * 4 + k] = track.rotations[own + k]!;
    else mulInverseQuat(local, f * 4, track.rotations, rotationIndex(track, f, parent), track.rotations, own);
  }
  const jumps = new Float64Array(frameCount);
  const step = new Float64Array(4);
  let px = 0;
  let py = 0;
  let pz = 0;
  for (let f = 1; f < frameCount; f++) {
    mulInverseQuat(step, 0, local, (f - 1) * 4, local, f * 4);
    const sign = step[3]! < 0 ? -1 : 1;
    const s = Math.hypot(step[0]!, step[1]!, step[2]!);
    const k = s > 1e-12 ? (sign * 2 * Math.atan2(s, Math.abs(step[3]!))) / s : 0;
    const x = step[0]! * k;
    const y = step[1]! * k;
    const z = step[2]! * k;
    if (f > 1) jumps[f - 1] = (Math.hypot(x - px, y - py, z - pz) / 2) * DEGREES;
    px = x;
    py = y;
    pz = z;
  }
  return jumps;
}

/** Half the second difference of a joint's position seen from the hips, as a share of leg length. */
function positionJumps(track: Track, role: Role, frameCount: number): Float64Array | null {
  const joint = track.figure.roles[role];
  const hips = track.figure.roles.hips;
  if (joint === undefined || hips === undefined || joint === hips || !track.legLength) return null;
  const p = track.positions;
  const jumps = new Float64Array(frameCount);
  for (let f = 1; f + 1 < frameCount; f++) {
    let sum = 0;
    for (let k = 0; k < 3; k++) {
      let second = 0;
      for (let d = -1; d <= 1; d++) {
        const weight = d === 0 ? -2 : 1;
        second += weight * (p[positionIndex(track, f + d, joint) + k]! - p[positionIndex(track, f + d, hips) + k]!);
      }
      sum += second * second;
    }
    jumps[f] = Math.sqrt(sum) / 2 / track.legLength;
  }
  return jumps;
}

/** What the source does in a joint and in those that share its bend; null where it has none of them. */
function sourceRotationJumps({ source, sharedFrames }: Evidence, role: Role): Float64Array | null {
  const roles = SHARED_BENDS.find((group) => group.includes(role)) ?? [role];
  let sum: Float64Array | null = null;
  for (const one of roles) {
    const series = rotationJumps(source!, one, sharedFrames);
    if (series && sum) for (let f = 0; f < sum.length; f++) sum[f]! += series[f]!;
    sum ??= series;
  }
  return sum;
}

/** The source's jump, made larger where arms or trunk are longer on the target, against the leg. */
function sourcePositionJumps({ source, target, sharedFrames }: Evidence, role: Role): Float64Array | null {
  const series = positionJumps(source!, role, sharedFrames);
  if (!series || /Leg|Foot|Toes/.test(role)) return series;
  const longer = Math.max(1, armShare(target) / armShare(source!), trunkShare(target) / trunkShare(source!)) || 1;
  return series.map((jump) => jump * longer);
}

/** Length of the arms as a share of the leg; NaN where there are none. */
function armShare({ limbs, legLength }: Track): number {
  const arm = limbs.leftArm ?? limbs.rightArm;
  return arm ? (arm.upper + arm.lower) / legLength : Number.NaN;
}

/** Hips to head in the rest pose as a share of the leg; NaN where either is missing. */
function trunkShare({ figure, rest, legLength }: Track): number {
  const { hips, head } = figure.roles;
  if (hips === undefined || head === undefined) return Number.NaN;
  return distanceVec(rest.positions, hips * 3, rest.positions, head * 3) / legLength;
}

/** What goes beyond the surroundings: the source's, or the joint's own where there is no source. */
function beyond(own: Float64Array, source: Float64Array | null): Float64Array {
  const result = new Float64Array(own.length);
  for (let f = 1; f + 1 < own.length; f++) {
    let usual = 0;
    if (source)
      for (let i = Math.max(0, f - WINDOW); i <= Math.min(source.length - 1, f + WINDOW); i++)
        usual = Math.max(usual, source[i]!);
    else
      for (let i = Math.max(0, f - OWN_WINDOW); i <= Math.min(own.length - 1, f + OWN_WINDOW); i++)
        if (Math.abs(i - f) > 2) usual = Math.max(usual, own[i]!);
    result[f] = Math.max(0, own[f]! - SOURCE_FACTOR * usual);
  }
  return result;
}

/** Angular pops, linear jumps and the smoothness of the root. */
export function measureSmoothness(evidence: Evidence): Measure[] {
  return [
    jumps(evidence, 'pops', rotationJumps, sourceRotationJumps),
    jumps(evidence, 'jumps', positionJumps, sourcePositionJumps),
    rootSmoothness(evidence),
  ];
}

function jumps(
  evidence: Evidence,
  id: 'pops' | 'jumps',
  series: (track: Track, role: Role, frameCount: number) => Float64Array | null,
  sourceSeries: (evidence: Evidence, role: Role) => Float64Array | null,
): Measure {
  const { target, source, sharedFrames } = evidence;
  const frameCount = source ? sharedFrames : target.frameCount;
  if (frameCount < 5) return notMeasured(evidence, id, 'the clip has fewer than five frames');
  const places: Where[] = [];
  let worst = 0;
  let judged = 0;
  let sourceWorst = 0;
  const limit = evidence.options.thresholds?.[id] ?? MEASURE_RULES[id].threshold;
  for (const role of JUDGED) {
    const own = series(target, role, frameCount);
    if (!own) continue;
    // A joint that the source does not have moves with the nearest one above it that it has.
    let its: Float64Array | null = null;
    for (let up: Role | null = role; source && its === null && up !== null; up = PARENT_ROLE[up])
      its = sourceSeries(evidence, up);
    if (its) for (const jump of its) sourceWorst = Math.max(sourceWorst, jump);
    judged++;
    const extra = beyond(own, its);
    for (const jump of extra) worst = Math.max(worst, jump);
    places.push(...placesAbove(target, role, target.figure.roles[role]!, extra, limit, 3));
  }
  if (judged === 0) return notMeasured(evidence, id, 'no joint is paired');
  const details: { [key: string]: Json } = { count: places.length, joints: judged };
  if (source) details.sourceWorst = sourceWorst;
  return measured(evidence, id, worst, places, details);
}

/** A source whose hips hardly accelerate gives no measure of its own: leg lengths a second squared. */
const QUIET = 0.5;
/**
 * … nor do second differences that nobody sees: share of leg length. A written file may be off its frames by 0.1 mm (the
 * default of its keys), which alone makes 0.2 to 0.4 mm of them on an adult: over 3 leg lengths a second squared at 120 Hz.
 */
const UNSEEN = 4e-4;

function rootSmoothness(evidence: Evidence): Measure {
  const { target, source, sharedFrames } = evidence;
  const id = 'root-smoothness';
  if (!source) return notMeasured(evidence, id, 'there is no source to compare with');
  const own = accelerations(target, sharedFrames);
  const its = accelerations(source, sharedFrames);
  if (!own || !its)
    return notMeasured(evidence, id, 'the hips are not paired on both figures, or the clip is too short');
  const ownP95 = quantile(own, 0.95);
  const itsP95 = quantile(its, 0.95);
  const quiet = Math.max(QUIET, UNSEEN / target.frameDuration ** 2);
  const ratio = Math.max(quiet, ownP95) / Math.max(quiet, itsP95);
  const hips = target.figure.roles.hips!;
  // A frame is named where it goes beyond the source's usual by more than the threshold.
  const excess = own.map((a) => a / Math.max(quiet, itsP95));
  const where = placesAbove(target, 'hips', hips, excess, MEASURE_RULES[id].threshold, 5);
  return measured(evidence, id, ratio, where, {
    targetP95: ownP95,
    sourceP95: itsP95,
    unit: 'leg lengths a second squared',
  });
}

/**
 * Acceleration of the middle between the hip joints (of the hips where there are none), leg lengths a second squared. Where
 * rigs put the joint called hips differs too much.
 */
function accelerations(track: Track, frameCount: number): Float64Array | null {
  const { hips, leftUpperLeg, rightUpperLeg } = track.figure.roles;
  if (hips === undefined || frameCount < 5 || !track.legLength || !(track.frameDuration > 0)) return null;
  const left = leftUpperLeg !== undefined && rightUpperLeg !== undefined ? leftUpperLeg : hips;
  const right = leftUpperLeg !== undefined && rightUpperLeg !== undefined ? rightUpperLeg : hips;
  const p = track.positions;
  const result = new Float64Array(frameCount - 2);
  const k = 1 / (2 * track.frameDuration ** 2 * track.legLength);
  for (let f = 1; f + 1 < frameCount; f++) {
    let sum = 0;
    for (let c = 0; c < 3; c++) {
      const at = (frame: number) =>
        p[positionIndex(track, frame, left) + c]! + p[positionIndex(track, frame, right) + c]!;
      sum += (at(f - 1) - 2 * at(f) + at(f + 1)) ** 2;
    }
    result[f - 1] = k * Math.sqrt(sum);
  }
  return result;
}
