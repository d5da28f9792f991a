import type { Side } from '../skeleton/side.ts';
import type { Floor } from './floor.ts';
import type { FrameSpan } from './hold.ts';
import type { FootPoints } from './motion.ts';
import type { Rest } from './rests.ts';

/** Lower than this (share of the source's leg) a contact is on the floor: captures of a level floor differ by less. */
const STEP = 0.05;

/** A floor that slopes by less (metres a metre, 3 degrees) is a level one in a capture room that is not quite. */
const SLOPE = 0.05;

/**
 * Heights of what a foot stands on: steps and boxes, and how far a slope has risen. All of one stance is at one height.
 * @param points  the source's heel and ball, frames × 3 each
 * @param floor   as it was found in the source
 * @param scale   target over source
 * @param legLength  of the source, metres
 */
export function setStepHeights(
  rests: readonly Rest[],
  stands: readonly FrameSpan[],
  side: Side,
  points: FootPoints,
  floor: Floor,
  scale: number,
  legLength: number,
): void {
  const isSloped = Math.hypot(floor.slopeX, floor.slopeZ) > SLOPE;
  for (const stand of stands) {
    const own = rests.filter(({ span }) => span.first >= stand.first && span.last <= stand.last);
    let [rise, step, count] = [0, 0, 0];
    for (const { point, span } of own) {
      const path = points[point];
      const level = floor.rests[(side === 'left' ? 0 : 2) + (point === 'heel' ? 0 : 1)]!;
      for (let f = span.first; f <= span.last; f++) {
        const slope = floor.slopeX * path[f * 3]! + floor.slopeZ * path[f * 3 + 2]!;
        rise += slope;
        step += path[f * 3 + 1]! - slope - level;
      }
      count += span.last - span.first + 1;
    }
    step /= count;
    const height = scale * ((isSloped ? rise / count : 0) + (Math.abs(step) > STEP * legLength ? step : 0));
    for (const rest of own) rest.floor = height;
  }
}
