import { mulQuat, rotateVec } from '../math/quat.ts';
import { addVec, copyVec, distanceVec, lengthVec, lerpVec, scaleVec, subVec } from '../math/vec.ts';
import type { LimbTargets } from '../retarget/limb-targets.ts';
import type { LimbPlan, RetargetPlan } from '../retarget/plan.ts';
import type { Clip } from '../skeleton/clip.ts';
import { createPartialPose, type PartialPose, readPartialPose } from '../skeleton/partial-pose.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import type { WorldPose } from '../skeleton/skeleton.ts';
import { keepInReach } from './arm-reach.ts';
import type { BodyGirths } from './body-girths.ts';
import { type HandPart, type Line, lineOf, readLine, readWrist } from './hand-parts.ts';
import { type ArmRests, HAND_DEFAULTS, type HandOptions, type HandRests, type PartRest } from './hand-rests.ts';
import type { FrameSpan } from './hold.ts';
import { type Girth, growthOver, thickened } from './surface.ts';

/*
 * Hands that rest on the body, on each other or on the floor.
 *
 * While the wrist is near a part, it keeps its place relative to the part, as seen from the part's surface: as far over the
 * surface of the one body as over that of the other, for the size of their hands, at the same share of the part's line. A hand
 * that strokes or slides goes on doing so. Before and after, the correction fades along a curve that is continuous in slope.
 *
 * Tried and left: to scale the whole distance from the line by the girths of the two bodies. On hips three times as broad a
 * hand hung 0.28 of a leg off the skin, the performer's 0.06. To scale what lies between by the bodies' size: it is hand, and
 * large hands on a large head went into it, with a seventh of their skin in the mean; with the hands' size, with a tenth.
 * Tried and left: a weight by distance, widened in time, on the goal itself. Where hands part quickly the goal runs away
 * with them (large hands on short arms popped by 14 times the clip's own acceleration).
 */

/** From a wrist to its skin, as a share of a hand's length: half of 4 cm on an adult. Common anthropometry, no source. */
const WRIST = 0.1;
/** Hands that meet do so where both arms reach, to this share of their length. */
const MEETING_REACH = 0.9;
/** How often the place between two hands is brought within reach of one and the other. */
const PROJECTIONS = 20;
/** The slope of a correction dies within this time outside of its contact. Seconds. */
const SLOPE_TIME = 0.08;
/** Shifts below this share of the arm's length leave the hand alone: under Float32 keys' own rounding. */
const NOTHING = 1e-6;

export interface HandContact {
  side: Side;
  part: HandPart;
  /** First and last frame in which it is near. */
  first: number;
  last: number;
}

/**
 * Writes wrist positions for the arms into `targets` where the performer's hands rest on something. Poses of the target are
 * read in the frames of the contacts and of their ramps only.
 *
 * @param rests    of the performer's hands
 * @param base     the target's motion without hand contacts, feet planted
 * @param girths   of the target
 * @param targets  rows of the arms are overwritten where a hand rests on something; all else is left
 */
export function holdHands(
  plan: RetargetPlan,
  rests: HandRests,
  base: Clip,
  girths: BodyGirths,
  targets: LimbTargets,
  options: Partial<HandOptions> = {},
): HandContact[] {
  const settings = { ...HAND_DEFAULTS, ...options };
  const hands = SIDES.map((side, i) => handOf(plan, rests, side, i, girths));
  const [left, right] = hands;
  const meetings = left && right ? rests.meetings : [];
  const spans = [...meetings, ...hands.flatMap((hand) => (hand ? spansOf(hand) : []))];
  if (spans.length === 0) return [];
  const partial = createPartialPose(plan.target.skeleton, base, jointsOf(hands));
  const known = new Uint8Array(rests.frameCount);
  for (const { first, last } of spans) known.fill(1, first, last + 1);
  for (let f = 0; f < rests.frameCount; f++) {
    if (!known[f]) continue;
    const pose = readPartialPose(partial, f);
    for (const hand of hands) {
      if (!hand) continue;
      readHand(plan, hand, pose, f);
      for (const hold of hand.holds) readGoal(hold, pose, f);
    }
  }
  const handScale = girths.hand / rests.girths.hand;
  for (const hand of hands) if (hand) shiftHand(hand, handScale, rests.fps, settings);
  if (left && right) meetHands(left, right, meetings, handScale, rests.fps, settings);
  hands.forEach((hand, i) => {
    if (hand) fillTargets(plan, hand, i, partial, known, targets, settings.stretch);
  });
  return hands.flatMap((hand) => hand?.contacts ?? []).sort((a, b) => a.first - b.first);
}

/** One hand over the clip. All paths are frames × 3. */
interface HandTrack {
  side: Side;
  arm: LimbPlan;
  rests: ArmRests;
  holds: Hold[];
  /** The wrist and the shoulder on their own way, where they are known. */
  base: Float64Array;
  shoulder: Float64Array;
  /** What contact adds to `base`. */
  shift: Float64Array;
  contacts: HandContact[];
}

/** What one part of the body asks of a hand. */
interface Hold {
  rest: PartRest;
  line: Line;
  /** Where a wrist touches the part of the performer, and of the target. */
  its: Girth;
  own: Girth;
  /** Size of the target's hand over that of the performer: what lies between wrist and skin is hand. */
  scale: number;
  /** Where it wants the wrist, in the frames of the spans; frames × 3. */
  goals: Float64Array;
}

/** Null where either figure has no such arm. */
function handOf(
  { limbs, target }: RetargetPlan,
  { arms, girths: srcGirths, frameCount }: HandRests,
  side: Side,
  i: number,
  girths: BodyGirths,
): HandTrack | null {
  const arm = limbs.find(({ limb }) => limb === 2 + i);
  const rests = arms[i];
  if (!arm || !rests) return null;
  const path = (): Float64Array => new Float64Array(frameCount * 3);
  const holds = rests.parts.flatMap((rest): Hold[] => {
    const line = lineOf(target, rest.part, girths);
    if (!line) return [];
    const { girth } = rest.part;
    const its = thickened(srcGirths[girth], WRIST * srcGirths.hand);
    const own = thickened(girths[girth], WRIST * girths.hand);
    return [{ rest, line, its, own, scale: girths.hand / srcGirths.hand, goals: path() }];
  });
  return { side, arm, rests, holds, base: path(), shoulder: path(), shift: path(), contacts: [] };
}

function spansOf({ holds, rests }: HandTrack): FrameSpan[] {
  return [...rests.floor, ...holds.flatMap(({ rest }) => rest.spans)];
}

function jointsOf(hands: readonly (HandTrack | null)[]): number[] {
  return hands.flatMap((hand) => {
    if (!hand) return [];
    const { dstUpper, dstLower, dstEnd } = hand.arm;
    return [dstUpper, dstLower, dstEnd, ...hand.holds.flatMap(({ line }) => [line.joint, line.from, line.to])];
  });
}

function readHand({ target }: RetargetPlan, { arm, base, shoulder }: HandTrack, pose: WorldPose, f: number): void {
  readWrist(base, f, pose, target, { limb: arm.limb, lower: arm.dstLower, end: arm.dstEnd });
  copyVec(shoulder, f * 3, pose.positions, arm.dstUpper * 3);
}

const from = new Float64Array(3);
const along = new Float64Array(3);
const offset = new Float64Array(3);
const frame = new Float64Array(4);

function readGoal({ rest, line, its, own, scale, goals }: Hold, pose: WorldPose, f: number): void {
  mulQuat(frame, 0, pose.rotations, line.joint * 4, line.undo, 0);
  const { offsets } = rest;
  const growth = growthOver(its, own, offsets[f * 3]!, offsets[f * 3 + 1]!, offsets[f * 3 + 2]!, scale);
  rotateVec(offset, 0, frame, 0, offsets, f * 3);
  readLine(pose, line, from, along);
  const t = rest.shares[f]!;
  for (let k = 0; k < 3; k++) goals[f * 3 + k] = from[k]! + t * along[k]! + growth * offset[k]!;
}

/** Adds what parts of the body and the floor ask of a hand. */
function shiftHand(hand: HandTrack, handScale: number, fps: number, settings: HandOptions): void {
  const frameCount = hand.shift.length / 3;
  const total = new Float64Array(frameCount);
  const add = (part: HandPart, spans: readonly FrameSpan[], goals: Float64Array): void => {
    if (spans.length === 0) return;
    const { shift, share } = fadedShift(hand.base, hand.arm.length, spans, goals, fps, settings);
    for (let f = 0; f < frameCount; f++) {
      const w = share[f * 3]!;
      total[f]! += w;
      for (let k = 0; k < 3; k++) hand.shift[f * 3 + k]! += w * shift[f * 3 + k]!;
    }
    for (const span of spans) hand.contacts.push({ side: hand.side, part, ...span });
  };
  for (const { rest, goals } of hand.holds) add(rest.part.name, rest.spans, goals);
  add('floor', hand.rests.floor, floorGoals(hand, handScale));
  // Where several parts hold it, the hand goes between; a single one is followed exactly.
  for (let f = 0; f < frameCount; f++) {
    if (total[f]! > 0) scaleVec(hand.shift, f * 3, hand.shift, f * 3, 1 / total[f]!);
  }
}

function fillTargets(
  plan: RetargetPlan,
  hand: HandTrack,
  i: number,
  partial: PartialPose,
  known: Uint8Array,
  targets: LimbTargets,
  stretch: number,
): void {
  const place = new Float64Array(3);
  for (let f = 0; f < known.length; f++) {
    if (lengthVec(hand.shift, f * 3) < NOTHING * hand.arm.length) continue;
    if (!known[f]) readHand(plan, hand, readPartialPose(partial, f), f);
    addVec(place, 0, hand.base, f * 3, hand.shift, f * 3);
    keepInReach(place, hand.base, hand.shoulder, f, hand.arm.length, stretch);
    targets.positions.set(place, (f * 4 + 2 + i) * 3);
    targets.positionWeights[f * 4 + 2 + i] = 1;
  }
}

/** What goals add to a wrist's own way, faded outside of the spans; and how much of it is left, 1 in them. */
function fadedShift(
  base: Float64Array,
  armLength: number,
  spans: readonly FrameSpan[],
  goals: Float64Array,
  fps: number,
  { ramp, rampPerArm }: HandOptions,
): { shift: Float64Array; share: Float64Array } {
  const frameCount = base.length / 3;
  const shift = new Float64Array(base.length);
  let most = 0;
  for (const { first, last } of spans) {
    for (let f = first; f <= last; f++) {
      subVec(shift, f * 3, goals, f * 3, base, f * 3);
      most = Math.max(most, lengthVec(shift, f * 3));
    }
  }
  const frames = Math.max(1, Math.round((ramp + rampPerArm * Math.min(1, most / armLength)) * fps));
  const share = new Float64Array(base.length);
  for (const { first, last } of spans) share.fill(1, first * 3, (last + 1) * 3);
  fadeAway(shift, spans, frameCount, frames, Math.max(1, Math.round(SLOPE_TIME * fps)));
  fadeAway(share, spans, frameCount, frames, 1);
  return { shift, share };
}

/**
 * Carries values out of their spans to zero over `ramp` frames: the value along a cubic with level ends, its slope dying
 * within `slopeFrames`, so that a hand that leaves fast does not throw the correction beyond what it was.
 */
function fadeAway(
  values: Float64Array,
  spans: readonly FrameSpan[],
  frameCount: number,
  ramp: number,
  slopeFrames: number,
): void {
  for (let s = 0; s < spans.length; s++) {
    const { first, last } = spans[s]!;
    const before = s > 0 ? first - spans[s - 1]!.last : Number.POSITIVE_INFINITY;
    const after = s + 1 < spans.length ? spans[s + 1]!.first - last : Number.POSITIVE_INFINITY;
    for (const [edge, step, room] of [
      [first, -1, before],
      [last, 1, after],
    ] as const) {
      const length = Math.min(ramp, room);
      const slopeLength = Math.min(slopeFrames, room);
      for (let k = 0; k < 3; k++) {
        const value = values[edge * 3 + k]!;
        const slope = last > first ? value - values[(edge - step) * 3 + k]! : 0;
        for (let i = 1; i < length; i++) {
          const f = edge + step * i;
          if (f < 0 || f >= frameCount) break;
          const u = i / length;
          const v = Math.max(0, 1 - i / slopeLength);
          values[f * 3 + k]! += value * (1 - u) ** 2 * (1 + 2 * u) + slope * i * v * v;
        }
      }
    }
  }
}

/** Hands that carry weight on the floor stay where they stand, as high over it as their size asks for. */
function floorGoals({ rests: { wrists, floor }, base }: HandTrack, handScale: number): Float64Array {
  const goals = new Float64Array(base.length);
  for (const { first, last } of floor) {
    let x = 0;
    let z = 0;
    for (let f = first; f <= last; f++) {
      x += base[f * 3]! / (last - first + 1);
      z += base[f * 3 + 2]! / (last - first + 1);
    }
    for (let f = first; f <= last; f++) {
      goals[f * 3] = x;
      goals[f * 3 + 1] = handScale * wrists[f * 3 + 1]!;
      goals[f * 3 + 2] = z;
    }
  }
  return goals;
}

/**
 * Brings both wrists as near to each other as the performer's are, for hands of this size: each gives half, and the
 * middle moves to where both arms reach.
 */
function meetHands(
  left: HandTrack,
  right: HandTrack,
  spans: readonly FrameSpan[],
  handScale: number,
  fps: number,
  settings: HandOptions,
): void {
  if (spans.length === 0) return;
  const frameCount = left.base.length / 3;
  const pair = [left, right] as const;
  const ways = pair.map(({ base, shift }) => sumOf(base, shift));
  const goals = pair.map(() => new Float64Array(frameCount * 3));
  const half = new Float64Array(3);
  const middle = new Float64Array(3);
  for (const { first, last } of spans) {
    for (let f = first; f <= last; f++) {
      subVec(half, 0, right.rests.wrists, f * 3, left.rests.wrists, f * 3);
      scaleVec(half, 0, half, 0, handScale / 2);
      lerpVec(middle, 0, ways[0]!, f * 3, ways[1]!, f * 3, 0.5);
      reachBoth(middle, pair, half, f);
      subVec(goals[0]!, f * 3, middle, 0, half, 0);
      addVec(goals[1]!, f * 3, middle, 0, half, 0);
    }
  }
  pair.forEach((hand, h) => {
    const { shift } = fadedShift(ways[h]!, hand.arm.length, spans, goals[h]!, fps, settings);
    for (let i = 0; i < shift.length; i++) hand.shift[i]! += shift[i]!;
    for (const span of spans) hand.contacts.push({ side: hand.side, part: 'hand', ...span });
  });
}

/**
 * Brings the place between two hands to where both arms reach: alternate projection onto the two reaches nears a point in
 * both where there is one.
 * @param half  from there to the right hand, and back to the left one
 */
function reachBoth(middle: Float64Array, pair: readonly [HandTrack, HandTrack], half: Float64Array, f: number): void {
  for (let i = 0; i < PROJECTIONS; i++) {
    let isReached = true;
    for (let h = 0; h < 2; h++) {
      const { arm, base, shoulder } = pair[h]!;
      for (let k = 0; k < 3; k++) along[k] = middle[k]! + (h === 0 ? -1 : 1) * half[k]! - shoulder[f * 3 + k]!;
      const far = lengthVec(along, 0);
      // An arm that its own way stretches farther may stay so.
      const own = distanceVec(base, f * 3, shoulder, f * 3);
      const most = Math.max(MEETING_REACH * arm.length, own);
      if (far <= most) continue;
      isReached = false;
      for (let k = 0; k < 3; k++) middle[k]! -= (1 - most / far) * along[k]!;
    }
    if (isReached) return;
  }
}

function sumOf(a: Float64Array, b: Float64Array): Float64Array {
  const sum = new Float64Array(a.length);
  for (let i = 0; i < sum.length; i++) sum[i] = a[i]! + b[i]!;
  return sum;
}
