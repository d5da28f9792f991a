/** Where the ankle has to be: over its plant while the foot rests, as the performer has it in between, never too low. */
import { rotateVec } from '../math/quat.ts';
import { type FrameSpan, fadeOutside } from './hold.ts';
import type { Rest } from './rests.ts';

/** A swinging foot that comes nearer to the floor than this is led over it: share of the leg length. */
export const CLEARANCE = 0.008;

/** One foot in the making, frame-major. */
export interface FootPath {
  /** Final world rotations of the foot joint, frames × 4. */
  feet: Float64Array;
  /** The plain retarget's ankle, frames × 3. */
  ankles: Float64Array;
  /** Displacement of the ankle against it, frames × 3. */
  offsets: Float64Array;
  /** Height of the ankle over the floor at which the foot touches it, a frame. */
  supports: Float64Array;
  /** Height of the floor under the foot, a frame. */
  floors: Float64Array;
  /** 1 in contact; falls to 0 outside it, within the time that a foot takes to rise. */
  grounded: Float64Array;
}

/**
 * Fills the displacements: in contact the pivot of whatever rests is on its spot and the lowest point of the
 * foot on the floor; outside that fades.
 */
export function holdPivots(
  path: FootPath,
  rests: readonly Rest[],
  stands: readonly FrameSpan[],
  timing: { ramp: number; edge: number },
): void {
  const { feet, ankles, offsets, supports, floors } = path;
  const vec = new Float64Array(3);
  for (const { pivot, span, spot } of rests) {
    for (let f = span.first; f <= span.last; f++) {
      rotateVec(vec, 0, feet, f * 4, pivot.at, 0);
      const at = f * 3;
      offsets[at] = spot[0] - vec[0]! - ankles[at]!;
      offsets[at + 1] = floors[f]! + supports[f]! - ankles[at + 1]!;
      offsets[at + 2] = spot[2] - vec[2]! - ankles[at + 2]!;
    }
  }
  fadeOutside(offsets, stands, feet.length / 4, timing.ramp, timing.edge);
}

/** Height under the foot: that of each rest, and from one to the next along a smooth step. */
export function floorsUnder(floors: Float64Array, rests: readonly Rest[]): void {
  if (rests.every(({ floor }) => floor === 0)) {
    floors.fill(0);
    return;
  }
  const first = rests[0]!;
  floors.fill(first.floor, 0, first.span.last + 1);
  let last = first.span.last;
  let height = first.floor;
  for (const { span, floor } of rests) {
    if (span.last <= last) continue;
    for (let f = last + 1; f <= span.last; f++) {
      const u = f >= span.first ? 1 : (f - last) / (span.first - last);
      floors[f] = height + (floor - height) * u * u * (3 - 2 * u);
    }
    last = span.last;
    height = floor;
  }
  floors.fill(height, last + 1);
}

/**
 * Height of the ankle in a frame: where the displacement would put it, but nowhere so low that the foot is in the floor. A
 * height y of the foot over the floor under the clearance m becomes (y + m)² / 4m, which meets y at m and the floor at −m
 * with equal slope; m is 0 in contact and opens outside.
 *
 * @param height  where the ankle would be, metres
 */
export function settledHeight(path: FootPath, f: number, height: number, legLength: number): number {
  const base = path.floors[f]! + path.supports[f]!;
  return base + clearOf(height - base, CLEARANCE * legLength * (1 - path.grounded[f]!));
}

/** A height over the floor, kept over it with the clearance `m`: see `settledHeight`. */
export function clearOf(over: number, m: number): number {
  if (over >= m) return over;
  return over <= -m ? 0 : ((over + m) * (over + m)) / (4 * m);
}
