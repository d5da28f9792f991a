/** When a knee or the seat of a performer rests on the floor: low, slow and for some time. */
import { addVec, scaleVec } from '../math/vec.ts';
import type { LimbPlan, RetargetPlan } from '../retarget/plan.ts';
import type { Clip } from '../skeleton/clip.ts';
import type { FrameSpan } from './hold.ts';
import type { LegTrack } from './leg-track.ts';
import { pointMotion, quantile } from './motion.ts';
import { pointTrajectories } from './trajectories.ts';

/**
 * Heights over the floor in leg lengths (thigh and shin): below the first a point rests, until it is above the second. The
 * middle of an adult's knee is some 5 cm over the floor when it kneels, the hip joint some 9 cm over what it sits on, on a leg
 * of 0.85 m; one who squats or sits on the heels has the hip joints at 0.25 and more (values from memory).
 */
const KNEE = [0.1, 0.14] as const;
const SEAT = [0.17, 0.21] as const;
/** A point that is faster passes by: leg lengths a second. */
const SLOW = 0.35;
/** It has come to rest when it is no higher than this over where it mostly is: leg lengths (1.7 cm on an adult). */
const SETTLED = 0.02;
/** What is shorter is a touch, no rest (s). */
const SHORTEST = 0.2;
/** Rests that are nearer to each other than this (s) are one. */
const GAP = 0.15;
/** Whoever keeps the hip joints above this share of the leg neither kneels nor sits on the floor. */
const LOW_HIPS = 0.8;

/** Paths of one leg of the performer, frames × 3, and when its knee rests. */
export interface SourceKnee {
  hips: Float64Array;
  knees: Float64Array;
  spans: FrameSpan[];
}

/** @param srcLength  the performer's thigh and shin, metres */
function kneeOf({ source }: RetargetPlan, limb: LimbPlan, clip: Clip, srcLength: number): SourceKnee {
  const [hips] = pointTrajectories(source.skeleton, clip, limb.srcUpper, [[0, 0, 0]]);
  const [knees] = pointTrajectories(source.skeleton, clip, limb.srcLower, [[0, 0, 0]]);
  return { hips: hips!, knees: knees!, spans: restSpans(knees!, 1 / clip.frameDuration, srcLength, KNEE) };
}

/** Knees and seat of a performer that come to rest on the floor. */
export interface LowRests {
  /** One a leg, in the order of the legs. */
  knees: SourceKnee[];
  seat: FrameSpan[];
}

/** Null where neither knees nor seat rest: most clips, and told from the hips alone. */
export function findLow(plan: RetargetPlan, clip: Clip, legs: readonly LegTrack[]): LowRests | null {
  const lengths = plan.source.alignment.limbLengths;
  const able = legs.filter(({ limb }) => limb.srcUpper >= 0 && limb.srcLower >= 0);
  if (able.length === 0 || able.length < legs.length) return null;
  const srcLength = Math.max(...able.map(({ limb }) => lengths[limb.limb * 2]! + lengths[limb.limb * 2 + 1]!));
  const lowest = Math.min(...able.map(({ hips }) => lowestHeight(hips)));
  if ((lowest - plan.dstGround) / plan.scale + plan.srcGround > LOW_HIPS * srcLength) return null;
  const knees = legs.map(({ limb }) => kneeOf(plan, limb, clip, srcLength));
  const seat = seatSpans(knees, 1 / clip.frameDuration, srcLength);
  return seat.length === 0 && knees.every(({ spans }) => spans.length === 0) ? null : { knees, seat };
}

function lowestHeight(path: Float64Array): number {
  let lowest = Number.POSITIVE_INFINITY;
  for (let at = 1; at < path.length; at += 3) lowest = Math.min(lowest, path[at]!);
  return lowest;
}

/** When the seat rests: the middle between the hip joints is low. */
function seatSpans(knees: readonly SourceKnee[], fps: number, srcLength: number): FrameSpan[] {
  if (knees.length === 0) return [];
  const middle = new Float64Array(knees[0]!.hips.length);
  for (const { hips } of knees) for (let at = 0; at < middle.length; at += 3) addVec(middle, at, middle, at, hips, at);
  for (let at = 0; at < middle.length; at += 3) scaleVec(middle, at, middle, at, 1 / knees.length);
  return restSpans(middle, fps, srcLength, SEAT);
}

function restSpans(
  path: Float64Array,
  fps: number,
  legLength: number,
  [near, far]: readonly [number, number],
): FrameSpan[] {
  const { velocity } = pointMotion(path, fps, legLength);
  const spans: FrameSpan[] = [];
  const rests = (f: number, height: number): boolean =>
    path[f * 3 + 1]! < height * legLength &&
    Math.hypot(velocity[f * 3]!, velocity[f * 3 + 1]!, velocity[f * 3 + 2]!) < SLOW * legLength;
  const frameCount = path.length / 3;
  for (let f = 0; f < frameCount; f++) {
    if (!rests(f, near)) continue;
    let first = f;
    while (first > 0 && rests(first - 1, far)) first--;
    while (f + 1 < frameCount && rests(f + 1, far)) f++;
    const before = spans[spans.length - 1];
    if (before && first - before.last <= GAP * fps) before.last = f;
    else spans.push({ first, last: f });
  }
  for (const span of spans) settle(span, path, SETTLED * legLength);
  return spans.filter(({ first, last }) => last - first + 1 >= SHORTEST * fps);
}

/** Takes off the ends of a rest in which the point is on its way down or up: what is held there already stops too soon. */
function settle(span: FrameSpan, path: Float64Array, over: number): void {
  const heights = Float64Array.from({ length: span.last - span.first + 1 }, (_, i) => path[(span.first + i) * 3 + 1]!);
  const most = quantile(heights, heights.length, 0.5) + over;
  while (path[span.first * 3 + 1]! > most) span.first++;
  while (path[span.last * 3 + 1]! > most) span.last--;
}
