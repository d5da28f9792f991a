import { mulInverseQuat, normalizeQuat } from '../math/quat.ts';
import { mirrorRole, type Role, sidedRole } from '../pairing/roles.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { addByCloseness, degreesOf, turnDegreesOf, turnKeys } from './angles.ts';
import { LIMB_NAMES } from './build.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import { arrayFor } from './joint-paths.ts';
import { kneelingOrNear } from './kneeling.ts';
import { restingOrNear } from './limb-ends.ts';
import type { Json, Measure, Where } from './measure.ts';
import { plantRemedy } from './plant-remedy.ts';
import { footLines, keysOf, limbLines, type Segment, type Segments, segments } from './segments.ts';
import { quantile, spread } from './statistics.ts';
import { MEASURE_RULES, type MeasureId } from './thresholds.ts';
import { jointPath, jointTurns, type Track } from './track.ts';

/** An arm whose hand rests on something goes where that is on this body: those frames take the least of the others. */
function leaveOut(keys: Float64Array, frames: Uint8Array): void {
  let least = Number.POSITIVE_INFINITY;
  for (let f = 0; f < keys.length; f++) if (!frames[f] && keys[f]! < least) least = keys[f]!;
  if (!Number.isFinite(least)) least = 0;
  for (let f = 0; f < keys.length; f++) if (frames[f]) keys[f] = least;
}

/** Degrees of keys, less an allowance. */
function degreesBeyond(keys: Float64Array, allowance: number): Float64Array {
  const degrees = new Float64Array(keys.length);
  for (let f = 0; f < keys.length; f++) degrees[f] = Math.max(0, degreesOf(keys[f]!) - allowance);
  return degrees;
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
  // Of one segment after the other.
  const keys = new Float64Array(sharedFrames);
  const compared = new Map([...own, ...limbLines(target), ...footLines(target, evidence.feet)]);
  const like = new Map([...performer, ...limbLines(source), ...footLines(source, evidence.sourceFeet)]);
  for (const [name, segment] of compared) {
    const other = like.get(name);
    if (!other) continue;
    const allowance = SEGMENT_ALLOWANCE[name] ?? 0;
    keysOf(keys, segment, other);
    const side: Side = name.startsWith('left') ? 'left' : 'right';
    const resting = /UpperArm|LowerArm/.test(name) ? restingOrNear(evidence, side) : null;
    if (resting) leaveOut(keys, resting);
    const kneeling = /UpperLeg|LowerLeg/.test(name) ? kneelingOrNear(evidence, side) : null;
    if (kneeling) {
      // Both ends of thigh and shin are given then, and their own lines are what is kept.
      const ofSegment = new Float64Array(sharedFrames);
      keysOf(ofSegment, own.get(name)!, performer.get(name)!);
      for (let f = 0; f < sharedFrames; f++) if (kneeling[f]) keys[f] = ofSegment[f]!;
    }
    const { median, p95, worst: most } = spread(keys, sharedFrames, degreesOf);
    details[name] = { median, p95, worst: most };
    medians.set(name, median);
    worst = Math.max(worst, p95 - allowance);
    const { threshold } = MEASURE_RULES['pose-fidelity'];
    if (p95 - allowance > threshold) {
      // One place a segment: the longest run says less than how far it is off as a whole.
      const judged = degreesBeyond(keys, allowance);
      const runs = placesAbove(target, segment.role, segment.joint, judged, threshold, 10);
      runs.sort((a, b) => b.value - a.value);
      if (runs[0]) places.push({ ...runs[0], note: `${name}: median ${median.toFixed(0)}°` });
    }
  }
  if (medians.size === 0) {
    const why = 'no segment is paired on both figures';
    return [...ids.map((id) => notMeasured(evidence, id, why)), measureSides(evidence, null, null)];
  }
  const { threshold, remedy } = MEASURE_RULES['pose-fidelity'];
  // A wrong pairing or rest pose is off in every frame.
  const isPaired = ({ role }: Where): boolean => (medians.get(role) ?? Number.POSITIVE_INFINITY) < threshold / 2;
  const byPlants = places.length > 0 ? plantRemedy(evidence, places, remedy, 'distance', isPaired) : undefined;
  return [
    measured(evidence, 'pose-fidelity', worst, places, details, byPlants),
    leftRight(evidence, compared, medians),
    measureSides(evidence, own, performer),
  ];
}

function leftRight(evidence: Evidence, own: Segments, medians: Map<string, number>): Measure {
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

/** Degrees; `keys` are overwritten. */
function medianBetween(keys: Float64Array, a: Segment, b: Segment): number {
  keysOf(keys, a, b);
  return quantile(keys, 0.5, degreesOf);
}

/** A limb follows the other side when it is nearer to that by this factor, and by this many degrees. */
const SWAP_FACTOR = 0.6;
const SWAP_DEGREES = 5;

/**
 * Swapped sides, seen three times: a limb whose joints are those of the other side; a pair of limbs that follows the
 * crossed limbs of the source better than its own; and a body whose feet point behind it when its left is taken for left.
 */
function measureSides(evidence: Evidence, own: Segments | null, performer: Segments | null): Measure {
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
  for (const { role, why } of limbsOfOtherSide(target)) note(role, why);
  const backwards = feetBackwards(evidence);
  if (backwards !== null) {
    details.feetPointAhead = backwards;
    if (backwards < -0.3) {
      note('leftUpperLeg', 'with this joint as the left one the feet point backwards');
      note('rightUpperLeg', 'with this joint as the right one the feet point backwards');
    }
  }
  let compared = 0;
  const keys = new Float64Array(sharedFrames);
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
            same += medianBetween(keys, segment, its) / 4;
            cross += medianBetween(keys, segment, others) / 4;
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

/** Upper arms that lie this far on the wrong side are swapped: share of the leg. */
const ACROSS = 0.05;

/** Limbs that were paired with joints of the other side, by the joint tree and by the rest pose. */
function limbsOfOtherSide(track: Track): { role: Role; why: string }[] {
  const { skeleton, roles } = track.figure;
  const found: { role: Role; why: string }[] = [];
  const isBelow = (joint: number, root: number) => joint > root && joint < skeleton.subtreeEnd[root]!;
  for (const name of LIMB_NAMES) {
    const limb = track.limbs[name];
    const otherRole = limb && mirrorRole(limb.roles.root);
    const other = otherRole ? roles[otherRole] : undefined;
    if (!limb || other === undefined) continue;
    if (isBelow(limb.middle.joint, other) && !isBelow(limb.middle.joint, limb.root.joint))
      found.push({ role: limb.roles.middle, why: `hangs from ${skeleton.names[other]}, which is the ${otherRole}` });
  }
  const x = (role: Role) => (roles[role] === undefined ? Number.NaN : track.rest.positions[roles[role]! * 3]!);
  const hips = x('leftUpperLeg') - x('rightUpperLeg');
  const arms = x('leftUpperArm') - x('rightUpperArm');
  const crossed = -Math.sign(hips) * arms > ACROSS * track.legLength;
  if (crossed)
    for (const side of SIDES)
      found.push({
        role: sidedRole(side, 'UpperArm'),
        why: 'lies on the other side of the body than the leg of its side',
      });
  return found;
}

/** Mean cosine between where the feet point and where the pelvis faces, over the frames; null without feet. */
function feetBackwards(evidence: Evidence): number | null {
  const { target } = evidence;
  const { roles } = target.figure;
  const { leftUpperLeg, rightUpperLeg, leftFoot, rightFoot, leftToes, rightToes } = roles;
  if (leftUpperLeg === undefined || rightUpperLeg === undefined || target.frameCount === 0) return null;
  if (leftFoot === undefined || rightFoot === undefined || leftToes === undefined || rightToes === undefined)
    return null;
  return meanCosineAhead(
    jointPath(target, leftUpperLeg),
    jointPath(target, rightUpperLeg),
    jointPath(target, leftFoot),
    jointPath(target, leftToes),
    jointPath(target, rightFoot),
    jointPath(target, rightToes),
  );
}

/** Mean cosine on the floor between where two feet point and what lies ahead of the line from right to left hip. */
function meanCosineAhead(
  leftHip: Float64Array,
  rightHip: Float64Array,
  leftFoot: Float64Array,
  leftToes: Float64Array,
  rightFoot: Float64Array,
  rightToes: Float64Array,
): number {
  let sum = 0;
  for (let i = 0; i < leftHip.length; i += 3) {
    // Facing on the floor: left × up.
    const faceX = rightHip[i + 2]! - leftHip[i + 2]!;
    const faceZ = leftHip[i]! - rightHip[i]!;
    const footX = leftToes[i]! - leftFoot[i]! + (rightToes[i]! - rightFoot[i]!);
    const footZ = leftToes[i + 2]! - leftFoot[i + 2]! + (rightToes[i + 2]! - rightFoot[i + 2]!);
    const lengths = Math.sqrt((faceX * faceX + faceZ * faceZ) * (footX * footX + footZ * footZ));
    if (lengths > 0) sum += (faceX * footX + faceZ * footZ) / lengths;
  }
  return sum / (leftHip.length / 3);
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
  const offsets = arrayFor(target.paths, sharedFrames * 4);
  turnsBetween(offsets, jointTurns(source, performer), jointTurns(target, own));
  const keys = arrayFor(target.paths, sharedFrames);
  turnKeys(keys, usualOf(offsets), offsets);
  const { median, p95, worst } = spread(keys, sharedFrames, turnDegreesOf);
  const { threshold } = MEASURE_RULES[id as 'head-orientation'];
  const places = worst > threshold ? placesAbove(target, ownRole, own, keys.map(turnDegreesOf), threshold, 10) : [];
  return measured(evidence, id, p95, places, { median, p95, worst, roles: [ownRole, srcRole] });
}

/** out = a⁻¹ · b, frame by frame. */
function turnsBetween(out: Float64Array, a: Float64Array, b: Float64Array): void {
  for (let i = 0; i < out.length; i += 4) mulInverseQuat(out, i, a, i, b, i);
}

/** Rounds in which the mean is drawn to where most frames agree; the change after five is below 0.1 degree. */
const MEAN_ROUNDS = 8;

/**
 * The rotation nearest to most of the given ones: a mean weighted by one over the distance from it (Weiszfeld's way to the
 * geometric median), so that a disagreement of a quarter of the clip stays in that quarter.
 */
function usualOf(rotations: Float64Array): Float64Array {
  const mean = rotations.slice(0, 4);
  for (let round = 0; round < MEAN_ROUNDS; round++) {
    addByCloseness(mean, rotations, mean, round === 0 ? Math.PI : 1e-3);
    normalizeQuat(mean, 0);
  }
  return mean;
}
