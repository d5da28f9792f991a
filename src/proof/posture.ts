import { angleBetweenQuats, mulInverseQuat, mulQuat, normalizeQuat } from '../math/quat.ts';
import { mirrorRole, type Role, sidedRole } from '../pairing/roles.ts';
import { SIDES } from '../skeleton/side.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import { restingOrNear } from './limb-ends.ts';
import type { Json, Measure, Where } from './measure.ts';
import { spread } from './statistics.ts';
import { MEASURE_RULES, type MeasureId } from './thresholds.ts';
import { LIMB_NAMES, pathOf, rotationIndex, type Track } from './track.ts';

const DEGREES = 180 / Math.PI;

/** A segment of the body as two paths, and the role a fault is reported on. */
interface Segment {
  name: string;
  role: Role;
  joint: number;
  from: Float64Array;
  to: Float64Array;
}

/**
 * Limb segments, and hands where a finger tells their direction. Trunk, collar bones and neck are left out: where their
 * joints sit differs from rig to rig; the trunk has a measure of its own.
 */
function segments(track: Track): Map<string, Segment> {
  const { roles } = track.figure;
  const result = new Map<string, Segment>();
  const path = (joint: number) => pathOf(track, { joint, offset: [0, 0, 0] });
  for (const name of LIMB_NAMES) {
    const limb = track.limbs[name];
    if (!limb) continue;
    const middle = pathOf(track, limb.middle);
    const { root: upper, middle: lower } = limb.roles;
    result.set(upper, { name: upper, role: upper, joint: limb.root.joint, from: pathOf(track, limb.root), to: middle });
    result.set(lower, {
      name: lower,
      role: lower,
      joint: limb.middle.joint,
      from: middle,
      to: pathOf(track, limb.end),
    });
  }
  for (const [from, to] of [
    ['leftHand', 'leftMiddleProximal'],
    ['rightHand', 'rightMiddleProximal'],
  ] as const) {
    const a = roles[from];
    const b = roles[to];
    if (a !== undefined && b !== undefined && a !== b)
      result.set(from, { name: from, role: from, joint: a, from: path(a), to: path(b) });
  }
  return result;
}

/** A limb bent less than this (sine, 25 degrees) has no bend side worth comparing. */
const BENT = 0.42;

/**
 * What limbs have in common whatever their proportions: the line from root to end, reported on the upper joint, and the
 * side to which the middle joint stands off it, reported on the middle one. The angles of upper and lower segment are not
 * compared: an arm with a long forearm needs others to bring its hand to the same place.
 */
function limbLines(track: Track): Map<string, Segment> {
  const result = new Map<string, Segment>();
  for (const name of LIMB_NAMES) {
    const limb = track.limbs[name];
    if (!limb) continue;
    const from = pathOf(track, limb.root);
    const to = pathOf(track, limb.end);
    const { root: upper, middle: lower } = limb.roles;
    result.set(upper, { name: upper, role: upper, joint: limb.root.joint, from, to });
    result.set(lower, {
      name: lower,
      role: lower,
      joint: limb.middle.joint,
      ...bendSide(from, pathOf(track, limb.middle), to),
    });
  }
  return result;
}

/** From the line root–end to the middle joint, square to it; of no length where the limb is nearly straight. */
function bendSide(root: Float64Array, middle: Float64Array, end: Float64Array): Pick<Segment, 'from' | 'to'> {
  const from = new Float64Array(middle.length);
  const to = middle.slice();
  for (let i = 0; i < middle.length; i += 3) {
    const line = [end[i]! - root[i]!, end[i + 1]! - root[i + 1]!, end[i + 2]! - root[i + 2]!];
    const upper = [middle[i]! - root[i]!, middle[i + 1]! - root[i + 1]!, middle[i + 2]! - root[i + 2]!];
    const square = line[0]! ** 2 + line[1]! ** 2 + line[2]! ** 2;
    const along = square > 0 ? (upper[0]! * line[0]! + upper[1]! * line[1]! + upper[2]! * line[2]!) / square : 0;
    const off = Math.hypot(...upper.map((x, k) => x - along * line[k]!));
    const isBent = off > (BENT / 2) * Math.hypot(...upper);
    for (let k = 0; k < 3; k++) from[i + k] = isBent ? root[i + k]! + along * line[k]! : middle[i + k]!;
  }
  return { from, to };
}

/** A foot that points down or up by more than 60 degrees has no heading. */
const HAS_HEADING = 0.5;

/**
 * Where feet point on the floor. From ankle to toes a foot slopes differently in every shoe, and a long or stiff one lifts
 * less than the performer's; whether it stands flat is what float and penetration tell.
 */
function footLines(track: Track, feet: Evidence['feet']): Map<string, Segment> {
  const result = new Map<string, Segment>();
  for (const side of SIDES) {
    const foot = feet[side];
    const role = sidedRole(side, 'Foot');
    if (!foot || track.figure.roles[role] === undefined) continue;
    const { joint, offset } = foot.heel;
    const ahead: [number, number, number] = [0, 0, 0];
    for (let k = 0; k < 3; k++) ahead[k] = offset[k]! + foot.heading[k]! * track.legLength;
    const from = pathOf(track, foot.heel);
    const to = pathOf(track, { joint, offset: ahead });
    for (let i = 0; i < to.length; i += 3) {
      const flat = Math.hypot(to[i]! - from[i]!, to[i + 2]! - from[i + 2]!);
      if (flat > HAS_HEADING * track.legLength) to[i + 1] = from[i + 1]!;
      else to.set(from.subarray(i, i + 3), i);
    }
    result.set(role, { name: role, role, joint, from, to });
  }
  return result;
}

/** An arm whose hand rests on something goes where that is on this body: those frames take the least of the others. */
function leaveOut(angles: Float64Array, frames: Uint8Array): void {
  let least = Number.POSITIVE_INFINITY;
  for (let f = 0; f < angles.length; f++) if (!frames[f]) least = Math.min(least, angles[f]!);
  for (let f = 0; f < angles.length; f++) if (frames[f]) angles[f] = Number.isFinite(least) ? least : 0;
}

/** Degrees between two segments a frame; 0 where one has no length. */
function anglesBetween(a: Segment, b: Segment, frameCount: number): Float64Array {
  const angles = new Float64Array(frameCount);
  for (let f = 0, i = 0; f < frameCount; f++, i += 3) {
    const ax = a.to[i]! - a.from[i]!;
    const ay = a.to[i + 1]! - a.from[i + 1]!;
    const az = a.to[i + 2]! - a.from[i + 2]!;
    const bx = b.to[i]! - b.from[i]!;
    const by = b.to[i + 1]! - b.from[i + 1]!;
    const bz = b.to[i + 2]! - b.from[i + 2]!;
    const cross = Math.hypot(ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx);
    // With a segment of no length the cosine part may be -0, whose arc is 180 degrees.
    angles[f] =
      cross === 0 && ax * bx + ay * by + az * bz === 0 ? 0 : Math.atan2(cross, ax * bx + ay * by + az * bz) * DEGREES;
  }
  return angles;
}

/** A hand is told by one finger, and is compared less strictly. */
const SEGMENT_ALLOWANCE: Readonly<Record<string, number>> = { leftHand: 10, rightHand: 10 };

/** Pose fidelity, left/right agreement and swapped sides; they share the segments. */
export function measurePose(evidence: Evidence): Measure[] {
  const { target, source, sharedFrames } = evidence;
  const ids = ['pose-fidelity', 'left-right'] as const;
  if (!source) {
    const why = 'there is no source to compare with';
    return [...ids.map((id) => notMeasured(evidence, id, why)), measureSides(evidence, null, null)];
  }
  const own = segments(target);
  const performer = segments(source);
  const details: { [key: string]: Json } = {};
  const places: Where[] = [];
  const medians = new Map<string, number>();
  let worst = 0;
  const compared = new Map([...own, ...limbLines(target), ...footLines(target, evidence.feet)]);
  const like = new Map([...performer, ...limbLines(source), ...footLines(source, evidence.sourceFeet)]);
  for (const [name, segment] of compared) {
    const other = like.get(name);
    if (!other) continue;
    const allowance = SEGMENT_ALLOWANCE[name] ?? 0;
    const angles = anglesBetween(segment, other, sharedFrames);
    const resting = /UpperArm|LowerArm/.test(name)
      ? restingOrNear(evidence, name.startsWith('left') ? 'left' : 'right')
      : null;
    if (resting) leaveOut(angles, resting);
    const { median, p95, worst: most } = spread(angles);
    details[name] = { median, p95, worst: most };
    medians.set(name, median);
    worst = Math.max(worst, p95 - allowance);
    const judged = allowance > 0 ? angles.map((angle) => Math.max(0, angle - allowance)) : angles;
    if (p95 - allowance > MEASURE_RULES['pose-fidelity'].threshold) {
      // One place a segment: the longest run says less than how far it is off as a whole.
      const runs = placesAbove(
        target,
        segment.role,
        segment.joint,
        judged,
        MEASURE_RULES['pose-fidelity'].threshold,
        10,
      );
      runs.sort((a, b) => b.value - a.value);
      if (runs[0]) places.push({ ...runs[0], note: `${name}: median ${median.toFixed(0)}°` });
    }
  }
  if (medians.size === 0) {
    const why = 'no segment is paired on both figures';
    return [...ids.map((id) => notMeasured(evidence, id, why)), measureSides(evidence, null, null)];
  }
  return [
    measured(evidence, 'pose-fidelity', worst, places, details),
    leftRight(evidence, compared, medians),
    measureSides(evidence, own, performer),
  ];
}

function leftRight(evidence: Evidence, own: Map<string, Segment>, medians: Map<string, number>): Measure {
  const details: { [key: string]: Json } = {};
  const places: Where[] = [];
  let worst = 0;
  let pairs = 0;
  for (const [name, left] of medians) {
    if (!name.startsWith('left')) continue;
    const rightName = mirrorRole(name as Role);
    const right = medians.get(rightName);
    if (right === undefined) continue;
    pairs++;
    const difference = Math.abs(left - right);
    details[name.slice(4)] = { left, right };
    worst = Math.max(worst, difference);
    const worse = own.get(left > right ? name : rightName)!;
    places.push({
      role: worse.role,
      joint: evidence.target.figure.skeleton.names[worse.joint]!,
      frames: [0, Math.max(0, evidence.sharedFrames - 1)],
      worstFrame: 0,
      value: difference,
      note: `left ${left.toFixed(0)}°, right ${right.toFixed(0)}° off`,
    });
  }
  if (pairs === 0) return notMeasured(evidence, 'left-right', 'no limb is paired on both sides');
  return measured(evidence, 'left-right', worst, places, details);
}

/** A limb follows the other side when it is nearer to that by this factor, and by this many degrees. */
const SWAP_FACTOR = 0.6;
const SWAP_DEGREES = 5;

/**
 * Swapped sides, seen twice: a pair of limbs that follows the crossed limbs of the source better than its own; and a
 * body whose feet point behind it when its left is taken for left.
 */
function measureSides(
  evidence: Evidence,
  own: Map<string, Segment> | null,
  performer: Map<string, Segment> | null,
): Measure {
  const { target, sharedFrames } = evidence;
  const details: { [key: string]: Json } = {};
  const places: Where[] = [];
  const swapped = new Set<string>();
  const note = (name: Role, why: string) => {
    const joint = target.figure.roles[name];
    if (joint === undefined || swapped.has(name)) return;
    swapped.add(name);
    places.push({
      role: name,
      joint: target.figure.skeleton.names[joint]!,
      frames: [0, Math.max(0, target.frameCount - 1)],
      worstFrame: 0,
      value: 1,
      note: why,
    });
  };
  const backwards = feetBackwards(evidence);
  if (backwards !== null) {
    details.feetPointAhead = backwards;
    if (backwards < -0.3) {
      note('leftUpperLeg', 'with this joint as the left one the feet point backwards');
      note('rightUpperLeg', 'with this joint as the right one the feet point backwards');
    }
  }
  let compared = 0;
  if (own && performer)
    for (const part of ['UpperLeg', 'UpperArm'] as const) {
      const lower = part === 'UpperLeg' ? 'LowerLeg' : 'LowerArm';
      let same = 0;
      let cross = 0;
      let complete = true;
      for (const name of [part, lower])
        for (const [a, b] of [
          [`left${name}`, `right${name}`],
          [`right${name}`, `left${name}`],
        ] as const) {
          const segment = own.get(a);
          const its = performer.get(a);
          const others = performer.get(b);
          if (!segment || !its || !others) complete = false;
          else {
            same += spread(anglesBetween(segment, its, sharedFrames)).median / 4;
            cross += spread(anglesBetween(segment, others, sharedFrames)).median / 4;
          }
        }
      if (!complete) continue;
      compared++;
      details[part === 'UpperLeg' ? 'legs' : 'arms'] = { ownSideDegrees: same, otherSideDegrees: cross };
      if (cross < SWAP_FACTOR * same && same - cross > SWAP_DEGREES)
        for (const side of ['left', 'right'] as const)
          note(
            `${side}${part}`,
            `moves like the other side of the source (${cross.toFixed(0)}° off, own side ${same.toFixed(0)}°)`,
          );
    }
  if (backwards === null && compared === 0)
    return notMeasured(evidence, 'sides', 'neither feet nor a source tell the sides apart');
  return measured(evidence, 'sides', swapped.size, places, details);
}

/** Mean cosine between where the feet point and where the pelvis faces, over the frames; null without feet. */
function feetBackwards(evidence: Evidence): number | null {
  const { target } = evidence;
  const { roles } = target.figure;
  const { leftUpperLeg, rightUpperLeg, leftFoot, rightFoot, leftToes, rightToes } = roles;
  if (leftUpperLeg === undefined || rightUpperLeg === undefined || target.frameCount === 0) return null;
  if (leftFoot === undefined || rightFoot === undefined || leftToes === undefined || rightToes === undefined)
    return null;
  const paths = [leftUpperLeg, rightUpperLeg, leftFoot, leftToes, rightFoot, rightToes].map((joint) =>
    pathOf(target, { joint, offset: [0, 0, 0] }),
  );
  const [l, r, lf, lt, rf, rt] = paths as [
    Float64Array,
    Float64Array,
    Float64Array,
    Float64Array,
    Float64Array,
    Float64Array,
  ];
  let sum = 0;
  for (let f = 0, i = 0; f < target.frameCount; f++, i += 3) {
    // Facing on the floor: left × up.
    const faceX = -(l[i + 2]! - r[i + 2]!);
    const faceZ = l[i]! - r[i]!;
    const footX = lt[i]! - lf[i]! + rt[i]! - rf[i]!;
    const footZ = lt[i + 2]! - lf[i + 2]! + rt[i + 2]! - rf[i + 2]!;
    const lengths = Math.hypot(faceX, faceZ) * Math.hypot(footX, footZ);
    if (lengths > 0) sum += (faceX * footX + faceZ * footZ) / lengths;
  }
  return sum / target.frameCount;
}

/** Trunk and head orientation against the source's. */
export function measureOrientations(evidence: Evidence): Measure[] {
  return [
    orientation(evidence, 'trunk-orientation', ['upperChest', 'chest', 'spine']),
    orientation(evidence, 'head-orientation', ['head']),
  ];
}

/**
 * The joints' axes differ by a constant rotation that is no fault: what R(source)⁻¹ · R(target) is in most frames is
 * taken out, and what is left is the turning in which the two disagree.
 */
function orientation(evidence: Evidence, id: MeasureId, candidates: readonly Role[]): Measure {
  const { target, source, sharedFrames } = evidence;
  if (!source) return notMeasured(evidence, id, 'there is no source to compare with');
  const ownRole = candidates.find((role) => target.figure.roles[role] !== undefined);
  const srcRole = candidates.find((role) => source.figure.roles[role] !== undefined);
  if (!ownRole || !srcRole) return notMeasured(evidence, id, `${candidates[0]} is not paired on both figures`);
  const own = target.figure.roles[ownRole]!;
  const performer = source.figure.roles[srcRole]!;
  const mean = usualOffset(source, performer, target, own, sharedFrames);
  const expected = new Float64Array(4);
  const angles = new Float64Array(sharedFrames);
  for (let f = 0; f < sharedFrames; f++) {
    mulQuat(expected, 0, source.rotations, rotationIndex(source, f, performer), mean, 0);
    angles[f] = angleBetweenQuats(expected, 0, target.rotations, rotationIndex(target, f, own)) * DEGREES;
  }
  const { median, p95, worst } = spread(angles);
  return measured(
    evidence,
    id,
    p95,
    placesAbove(target, ownRole, own, angles, MEASURE_RULES[id as 'head-orientation'].threshold, 10),
    {
      median,
      p95,
      worst,
      roles: [ownRole, srcRole],
    },
  );
}

/** Rounds in which the mean is drawn to where most frames agree; the change after five is below 0.1 degree. */
const MEAN_ROUNDS = 8;

/**
 * The rotation nearest to a⁻¹ · b in most frames: a mean weighted by one over the distance from it (Weiszfeld's way to the
 * geometric median), so that a disagreement of a quarter of the clip stays in that quarter.
 */
function usualOffset(a: Track, ja: number, b: Track, jb: number, frameCount: number): Float64Array {
  const offsets = new Float64Array(frameCount * 4);
  for (let f = 0; f < frameCount; f++)
    mulInverseQuat(offsets, f * 4, a.rotations, rotationIndex(a, f, ja), b.rotations, rotationIndex(b, f, jb));
  const mean = offsets.slice(0, 4);
  const sum = new Float64Array(4);
  for (let round = 0; round < MEAN_ROUNDS; round++) {
    sum.fill(0);
    for (let f = 0, at = 0; f < frameCount; f++, at += 4) {
      const dot =
        offsets[at]! * mean[0]! +
        offsets[at + 1]! * mean[1]! +
        offsets[at + 2]! * mean[2]! +
        offsets[at + 3]! * mean[3]!;
      const weight = (dot < 0 ? -1 : 1) / (round === 0 ? 1 : Math.max(1e-3, angleBetweenQuats(mean, 0, offsets, at)));
      for (let k = 0; k < 4; k++) sum[k]! += weight * offsets[at + k]!;
    }
    normalizeQuat(sum, 0);
    mean.set(sum);
  }
  return mean;
}
