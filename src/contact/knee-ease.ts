/**
 * A swinging foot leaves its plant, and comes to the next one, along a path that is smooth in space. Where the leg is nearly
 * straight that is not enough: there a knee turns by 10 degrees for 4 thousandths of the leg, and a path that ends its ramp,
 * clears the floor or meets the performer's stretched leg snaps it straight within a frame. So between contacts what the
 * knee is bent more than the performer's is smoothed over time, and the foot goes nearer to its hip or farther from it.
 */
import { smoothSeries } from '../math/smooth-series.ts';
import { distanceVec } from '../math/vec.ts';
import type { FrameSpan } from './hold.ts';

/** Hertz. A wave of this frequency in the bend that is added to the performer's is halved. */
const CUT_OFF = 4;
/** Weight of a frame in contact: its bend is what its plant asks for. */
const FIXED = 1e6;

export interface SwingLeg {
  /** Lengths of thigh and shin, metres. */
  thigh: number;
  shin: number;
  /** Hip joint, frames × 3. */
  hips: Float64Array;
  /** From hip to ankle as the performer has it, metres, a frame. */
  extensions: Float64Array;
}

/**
 * @param goals   ankles, frames × 3; in the frames between contacts moved along the line from the hip
 * @param stands  contacts, ascending
 * Allocates scratch memory.
 */
export function easeKnees(
  leg: SwingLeg,
  goals: Float64Array,
  stands: readonly FrameSpan[],
  frameDuration: number,
): void {
  const { thigh, shin, hips, extensions } = leg;
  const count = extensions.length;
  const more = new Float64Array(count);
  const distances = new Float64Array(count);
  for (let f = 0, at = 0; f < count; f++, at += 3) {
    distances[f] = distanceVec(goals, at, hips, at);
    more[f] = bendAt(distances[f]!, thigh, shin) - bendAt(extensions[f]!, thigh, shin);
  }
  const weights = new Float64Array(count).fill(1);
  for (const { first, last } of stands) weights.fill(FIXED, first, last + 1);
  smoothSeries(weights, 1 / (2 * Math.PI * CUT_OFF * frameDuration) ** 4, more);
  let next = 0;
  const ease = (f: number): void => {
    if (distances[f]! < 1e-9) return;
    const bend = Math.max(0, Math.min(Math.PI, bendAt(extensions[f]!, thigh, shin) + more[f]!));
    const share = Math.sqrt(thigh * thigh + shin * shin + 2 * thigh * shin * Math.cos(bend)) / distances[f]!;
    for (let k = 0; k < 3; k++) goals[f * 3 + k] = hips[f * 3 + k]! + share * (goals[f * 3 + k]! - hips[f * 3 + k]!);
  };
  for (const { first, last } of stands) {
    for (; next < first; next++) ease(next);
    next = last + 1;
  }
  for (; next < count; next++) ease(next);
}

/** Flexion of a knee whose leg spans a distance: 0 at full stretch. */
function bendAt(distance: number, thigh: number, shin: number): number {
  const cosine = (distance * distance - thigh * thigh - shin * shin) / (2 * thigh * shin);
  return Math.acos(Math.max(-1, Math.min(1, cosine)));
}
