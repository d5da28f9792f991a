/** AssemblyScript: the run of a joint to rotations that can be reduced. See `src/formats/gltf/gather-rotations.ts`. */
import { CONSTANTS, HALF, NEAR, NEGATIVE, ONE, ONE_AND_HALF } from './pair-constants.ts';

/** From x, y and z, w of two pairs of quaternions: the dot product of each. */
function dotsOf(axy: v128, azw: v128, bxy: v128, bzw: v128, cxy: v128, czw: v128, dxy: v128, dzw: v128): v128 {
  const first = f64x2.add(f64x2.mul(axy, bxy), f64x2.mul(azw, bzw));
  const second = f64x2.add(f64x2.mul(cxy, dxy), f64x2.mul(czw, dzw));
  return f64x2.add(v128.shuffle<i64>(first, second, 0, 2), v128.shuffle<i64>(first, second, 1, 3));
}

/**
 * A run of quaternions (4 Float32) to Float64, unit, each within half a turn of the one before. Two at a time where both
 * are as near to unit as Float32 leaves them.
 * @returns how many were done: fewer than `count` where the next one is far from unit
 */
export function gather(run: usize, count: i32, out: usize): i32 {
  const zero = f64x2.splat(0);
  const negative = v128.load64_splat(CONSTANTS + NEGATIVE);
  const half = v128.load64_splat(CONSTANTS + HALF);
  const one = v128.load64_splat(CONSTANTS + ONE);
  const oneAndHalf = v128.load64_splat(CONSTANTS + ONE_AND_HALF);
  const near = v128.load64_splat(CONSTANTS + NEAR);
  let pxy = zero;
  let pzw = zero;
  /** The sign of the last one in both halves. */
  let side = zero;
  let from = run;
  const end = run + ((<usize>count) << 4);
  let to = out;
  while (from < end) {
    const a = v128.load(from);
    const axy = f64x2.promote_low_f32x4(a);
    const azw = f64x2.promote_low_f32x4(v128.shuffle<i64>(a, a, 1, 1));
    // Behind the last one there is room to read; what lies there is left out.
    const b = v128.load(from, 16);
    const bxy = f64x2.promote_low_f32x4(b);
    const bzw = f64x2.promote_low_f32x4(v128.shuffle<i64>(b, b, 1, 1));
    const squared = dotsOf(axy, azw, axy, azw, bxy, bzw, bxy, bzw);
    const off = v128.andnot(f64x2.sub(squared, one), negative);
    const dots = dotsOf(axy, azw, pxy, pzw, bxy, bzw, axy, azw);
    const turned = v128.and(f64x2.lt(dots, zero), negative);
    const sides = v128.xor(v128.xor(turned, v128.shuffle<i64>(zero, turned, 0, 2)), side);
    if (i64x2.bitmask(f64x2.lt(off, near)) === 3 && from + 16 < end) {
      const signed = v128.xor(f64x2.sub(oneAndHalf, f64x2.mul(half, squared)), sides);
      const first = v128.shuffle<i64>(signed, signed, 0, 0);
      const second = v128.shuffle<i64>(signed, signed, 1, 1);
      v128.store(to, f64x2.mul(axy, first));
      v128.store(to, f64x2.mul(azw, first), 16);
      v128.store(to, f64x2.mul(bxy, second), 32);
      v128.store(to, f64x2.mul(bzw, second), 48);
      pxy = bxy;
      pzw = bzw;
      side = v128.shuffle<i64>(sides, sides, 1, 1);
      from += 32;
      to += 64;
      continue;
    }
    const offFirst = f64x2.extract_lane(off, 0);
    // Also catches what is no number.
    if (!(offFirst < 0.01)) return <i32>((from - run) >> 4);
    const squaredFirst = f64x2.extract_lane(squared, 0);
    const k = offFirst < 1e-6 ? 1.5 - 0.5 * squaredFirst : 1 / sqrt(squaredFirst);
    side = v128.shuffle<i64>(sides, sides, 0, 0);
    const signed = v128.xor(f64x2.splat(k), side);
    v128.store(to, f64x2.mul(axy, signed));
    v128.store(to, f64x2.mul(azw, signed), 16);
    pxy = axy;
    pzw = azw;
    from += 16;
    to += 32;
  }
  return count;
}
