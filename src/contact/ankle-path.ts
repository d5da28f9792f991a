/** Where the ankle has to be: over its plant while the foot rests, as the performer has it in between, never too low. */
import { rotateVec } from '../math/quat.ts';
import { type FrameSpan, fadeOutside } from './hold.ts';
import { type LevelFoot, supportHeight } from './level-foot.ts';
import type { Rest } from './rests.ts';

/** A swinging foot that comes nearer to the floor than this is led over it: share of the leg length. */
const CLEARANCE = 0.008;

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
 * Horizontal displacements: in contact from the pivot of whatever rests, outside faded.
 * @param offsets  frames × 3, overwritten; the heights are left at 0
 */
export function holdPivots(
  offsets: Float64Array,
  feet: Float64Array,
  ankles: Float64Array,
  rests: readonly Rest[],
  stands: readonly FrameSpan[],
  level: LevelFoot,
  timing: { ramp: number; edge: number },
): void {
  const vec = new Float64Array(3);
  for (const { point, span, spot } of rests) {
    for (let f = span.first; f <= span.last; f++) {
      rotateVec(vec, 0, feet, f * 4, level[point].at, 0);
      for (let k = 0; k < 3; k += 2) offsets[f * 3 + k] = spot[k]! - vec[k]! - ankles[f * 3 + k]!;
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

/** Fills `supports`. */
export function measureSupports(path: FootPath, level: LevelFoot): void {
  for (let f = 0; f < path.supports.length; f++) path.supports[f] = supportHeight(level, path.feet, f);
}

/**
 * Heights: in contact the lowest point of the foot touches the floor; near a contact its height over the floor, as the
 * performer has it, fades in; and nowhere is it below. A height y under the clearance m becomes (y + m)² / 4m, which meets
 * y at m and the floor at −m with equal slope.
 *
 * @param lifts  by how much the plain path is moved up, frames × 3 (the second of each); null for not at all
 */
export function settleHeights(path: FootPath, lifts: Float64Array | null, legLength: number): void {
  const { ankles, offsets, supports, floors, grounded } = path;
  const m = CLEARANCE * legLength;
  for (let f = 0, at = 1; f < supports.length; f++, at += 3) {
    const base = floors[f]! + supports[f]!;
    const free = 1 - grounded[f]!;
    let over = 0;
    if (free > 0) {
      over = ankles[at]! + (lifts ? lifts[at]! : 0) - base;
      if (over <= -m) over = 0;
      else if (over < m) over = ((over + m) * (over + m)) / (4 * m);
      over *= free;
    }
    offsets[at] = base + over - ankles[at]!;
  }
}
