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
  const leg = track.limbs[`${side}Leg`];
  return leg ? longEnough(track, lowSpans(track, pathOf(track, leg.middle), KNEE_HEIGHT)) : [];
}

/** Frames in which a figure sits on the floor. */
export function seatRests(track: Track): Span[] {
  const middle = hipMiddle(track);
  return middle ? longEnough(track, lowSpans(track, middle, SEAT_HEIGHT)) : [];
}

/** The middle between the hip joints, frameCount × 3; null where there are none. */
export function hipMiddle(track: Track): Float64Array | null {
  const hips = SIDES.map((side) => track.limbs[`${side}Leg`]).filter((leg) => leg !== null);
  if (hips.length === 0) return null;
  const paths = hips.map(({ root }) => jointPath(track, root.joint));
  return paths[0]!.map((_, i) => paths.reduce((sum, path) => sum + path[i]! / paths.length, 0));
}

/**
 * Frames in which a knee of the source rests on the floor, or soon will, or just did: the foot behind it does not swing,
 * and the line from hip to ankle follows from the lengths of thigh and shin. Null where there are none.
 */
export function kneelingOrNear({ source, target }: Evidence, side: Side): Uint8Array | null {
  const leg = source?.limbs[`${side}Leg`];
  if (!source || !leg) return null;
  const spans = lowSpans(source, pathOf(source, leg.middle), KNEE_HEIGHT);
  if (spans.length === 0) return null;
  const ramp = Math.round(KNEEL_RAMP / target.frameDuration);
  return flagsOf(
    spans.map(([first, last]) => [Math.max(0, first - ramp), last + ramp]),
    target.frameCount,
  );
}

function longEnough({ frameDuration }: Track, spans: Span[]): Span[] {
  return spans.filter(([first, last]) => (last - first + 1) * frameDuration >= SHORTEST);
}

/** Frames in which a point is low and slow. */
function lowSpans({ frameCount, frameDuration, legLength }: Track, path: Float64Array, height: number): Span[] {
  const spans: Span[] = [];
  if (frameCount < 2) return spans;
  for (let f = 0; f < frameCount; f++) {
    const a = Math.max(0, f - 1) * 3;
    const b = Math.min(frameCount - 1, f + 1) * 3;
    const moved = Math.hypot(path[b]! - path[a]!, path[b + 1]! - path[a + 1]!, path[b + 2]! - path[a + 2]!);
    const speed = moved / (((b - a) / 3) * frameDuration * legLength);
    if (path[f * 3 + 1]! > height * legLength || speed > SLOW) continue;
    const before = spans[spans.length - 1];
    if (before && before[1] === f - 1) before[1] = f;
    else spans.push([f, f]);
  }
  return spans;
}
