/**
 * Feet of captures turn over within two or three frames now and then, alone or with their leg. What floor and ankle ask of a foot
 * is worked out frame by frame and would change as suddenly, while the performer's foot turns as one with its shin. Around these
 * frames it is spread over time.
 *
 * Tried before: to ease the heights of the ankle where the floor had lifted it. Pelvis and knee gave way to them in two other
 * places, each with a twitch of its own.
 */
import { envelope, type FrameSpan, meanOver, weightNear } from './hold.ts';

/** Seconds over which it is spread, before and after; over three times as long it comes in, and goes. */
const SPREAD = 1 / 60;

/**
 * A foot that turns faster than this does not turn by itself: radians a second (3,200 degrees). No published source; the feet
 * of the shared clips stay below 2,900 in kicks and in the quickest steps of dances, and faults of their captures go to 7,000.
 */
const FASTEST = (3200 * Math.PI) / 180;

/**
 * How near each frame is to one in which the foot turns over: 1 there, falling to 0. Null where it never does.
 * @param feet  the performer's turns of the foot, frames × 4
 */
export function turnoverOf(feet: Float64Array, frameDuration: number): Float64Array | null {
  const spans = fastFrames(feet, Math.cos((FASTEST * frameDuration) / 2));
  if (spans.length === 0) return null;
  const near = new Float64Array(feet.length / 4);
  weightNear(near, spans, 4 * radiusOf(frameDuration));
  return near;
}

/** Frames in which a foot turns by more than twice the angle with this cosine. */
function fastFrames(feet: Float64Array, cosine: number): FrameSpan[] {
  const spans: FrameSpan[] = [];
  for (let at = 4; at < feet.length; at += 4) {
    let dot = 0;
    for (let k = 0; k < 4; k++) dot += feet[at + k]! * feet[at + k - 4]!;
    if (Math.abs(dot) < cosine) spans.push({ first: at / 4 - 1, last: at / 4 });
  }
  return spans;
}

/** Eases the angles, one a frame, by which a foot is turned further. */
export function easeTurns(angles: Float64Array, turnover: Float64Array, frameDuration: number): void {
  const radius = radiusOf(frameDuration);
  const eased = meanOver(meanOver(angles, radius), radius);
  for (let f = 0; f < angles.length; f++) angles[f]! += turnover[f]! * (eased[f]! - angles[f]!);
}

/**
 * Eases the heights at which a foot touches the floor: it is lifted before it turns over, and comes down after. Lifted in those
 * frames alone, by up to 14 % of its length, the leg would twitch.
 * @param supports  of the ankle over the floor, metres, a frame; overwritten: nowhere lower
 * @param grounded  1 in contact, where nothing is changed, falling to 0 away from it
 */
export function easeLifts(
  supports: Float64Array,
  turnover: Float64Array,
  grounded: Float64Array,
  frameDuration: number,
): void {
  const radius = radiusOf(frameDuration);
  const eased = envelope(envelope(supports, radius), radius);
  for (let f = 0; f < supports.length; f++)
    supports[f]! += turnover[f]! * (1 - grounded[f]!) * (eased[f]! - supports[f]!);
}

function radiusOf(frameDuration: number): number {
  return Math.max(1, Math.round(SPREAD / frameDuration));
}
