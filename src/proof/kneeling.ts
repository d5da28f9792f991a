import { oncePer, oncePerKey } from '../skeleton/once-per.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import type { Evidence } from './evidence.ts';
import { flagsOf, type Span } from './spans.ts';
import { jointPath, pathOf, type Track } from './track.ts';

/** A knee is on the floor where its joint is this low (leg lengths) and slower than this (leg lengths a second). */
const KNEE_HEIGHT = 0.12;
const SLOW = 0.4;
/** One sits on the floor where the middle between the hip joints is this low: some 0.1 on an adult (value from memory). */
const SEAT_HEIGHT = 0.19;
/** What is shorter is a touch, no rest. Seconds. */
const SHORTEST = 0.2;
/** Getting down and up takes so long before and after. Seconds. */
const KNEEL_RAMP = 0.5;

/** Frames in which a knee rests on the floor. */
export function kneeRests(track: Track, side: Side): Span[] {
  return longEnough(track, lowKnees(track, side));
}

/** Frames in which a figure sits on the floor. */
export function seatRests(track: Track): Span[] {
  const middle = hipMiddle(track);
  return middle ? longEnough(track, lowSpansOf(track, middle, SEAT_HEIGHT)) : [];
}

/** The middle between the hip joints, frameCount × 3; null where there are none. */
export const hipMiddle = oncePer((track: Track): Float64Array | null => {
  const hips = SIDES.map((side) => track.limbs[`${side}Leg`]).filter((leg) => leg !== null);
  if (hips.length === 0) return null;
  const middle = new Float64Array(track.frameCount * 3);
  for (const { root } of hips) addShare(middle, jointPath(track, root.joint), hips.length);
  return middle;
});

function addShare(sum: Float64Array, path: Float64Array, count: number): void {
  for (let i = 0; i < sum.length; i++) sum[i]! += path[i]! / count;
}

/**
 * Frames in which a knee of the source rests on the floor, or soon will, or just did: the foot behind it does not swing,
 * and the line from hip to ankle follows from the lengths of thigh and shin. Null where there are none.
 */
export const kneelingOrNear = oncePerKey(({ source, target }: Evidence, side: Side): Uint8Array | null => {
  const spans = source ? lowKnees(source, side) : [];
  if (spans.length === 0) return null;
  const ramp = Math.round(KNEEL_RAMP / target.frameDuration);
  return flagsOf(
    spans.map(([first, last]) => [Math.max(0, first - ramp), last + ramp]),
    target.frameCount,
  );
});

/** Frames in which a knee is low and slow. */
const lowKnees = oncePerKey((track: Track, side: Side): readonly Span[] => {
  const leg = track.limbs[`${side}Leg`];
  return leg ? lowSpansOf(track, pathOf(track, leg.middle), KNEE_HEIGHT) : [];
});

function longEnough({ frameDuration }: Track, spans: readonly Span[]): Span[] {
  return spans.filter(([first, last]) => (last - first + 1) * frameDuration >= SHORTEST);
}

/** Frames in which a point is low (leg lengths) and slow. */
function lowSpansOf({ frameCount, frameDuration, legLength }: Track, path: Float64Array, height: number): Span[] {
  return frameCount < 2 ? [] : lowSpans(path, frameCount, height * legLength, frameDuration, legLength);
}

function lowSpans(
  path: Float64Array,
  frameCount: number,
  height: number,
  frameDuration: number,
  legLength: number,
): Span[] {
  const spans: Span[] = [];
  for (let f = 0; f < frameCount; f++) {
    if (path[f * 3 + 1]! > height) continue;
    const a = Math.max(0, f - 1) * 3;
    const b = Math.min(frameCount - 1, f + 1) * 3;
    const moved = Math.hypot(path[b]! - path[a]!, path[b + 1]! - path[a + 1]!, path[b + 2]! - path[a + 2]!);
    if (moved / (((b - a) / 3) * frameDuration * legLength) > SLOW) continue;
    const before = spans[spans.length - 1];
    if (before && before[1] === f - 1) before[1] = f;
    else spans.push([f, f]);
  }
  return spans;
}
