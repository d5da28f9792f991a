import type { Clip } from '../../skeleton/clip.ts';

/** Whether joint `j` has the very same rotation in all frames: most joints of a rig do, and need no further look. */
export function holdsStill({ rotations, jointCount, frameCount }: Clip, j: number): boolean {
  const stride = jointCount * 4;
  const x = rotations[j * 4]!;
  const y = rotations[j * 4 + 1]!;
  const z = rotations[j * 4 + 2]!;
  const w = rotations[j * 4 + 3]!;
  for (let f = 1, at = stride + j * 4; f < frameCount; f++, at += stride) {
    if (rotations[at] !== x || rotations[at + 1] !== y || rotations[at + 2] !== z || rotations[at + 3] !== w)
      return false;
  }
  return true;
}

/** Changes a rotation in place, the four numbers from `at` on. */
export type Change = (rotations: Float64Array, at: number) => void;

/**
 * Rotations of joint `j` in the first `count` frames, changed if a change is given: unit, each within half a turn of the
 * one before (dot ≥ 0).
 *
 * @param out  overwritten: count × 4
 * @returns how many were done: fewer than `count` where the next one is further than 0.01 from unit (squared), or no number
 */
export function gatherRotations(
  { rotations, jointCount }: Clip,
  j: number,
  count: number,
  out: Float64Array,
  change?: Change,
): number {
  const stride = jointCount * 4;
  let px = 0;
  let py = 0;
  let pz = 0;
  let pw = 0;
  let side = 1;
  for (let f = 0, from = j * 4, to = 0; f < count; f++, from += stride, to += 4) {
    let x = rotations[from]!;
    let y = rotations[from + 1]!;
    let z = rotations[from + 2]!;
    let w = rotations[from + 3]!;
    if (change) {
      out[to] = x;
      out[to + 1] = y;
      out[to + 2] = z;
      out[to + 3] = w;
      change(out, to);
      x = out[to]!;
      y = out[to + 1]!;
      z = out[to + 2]!;
      w = out[to + 3]!;
    }
    // Summed as vectors of two sum it.
    const squared = x * x + z * z + (y * y + w * w);
    // Also catches what is no number.
    if (!(Math.abs(squared - 1) < 0.01)) return f;
    // Float32 rounding leaves the length within 1e-7 of 1: a Newton step is exact there, and needs no root.
    const k = Math.abs(squared - 1) < 1e-6 ? 1.5 - 0.5 * squared : 1 / Math.sqrt(squared);
    // Told from the rotations as they are: nothing waits for the one before to be worked out.
    if (x * px + z * pz + (y * py + w * pw) < 0) side = -side;
    px = x;
    py = y;
    pz = z;
    pw = w;
    const signed = side * k;
    out[to] = x * signed;
    out[to + 1] = y * signed;
    out[to + 2] = z * signed;
    out[to + 3] = w * signed;
  }
  return count;
}
