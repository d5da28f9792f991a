/** AssemblyScript: rotations to the bytes of an accessor. See `src/formats/gltf/store-keys.ts`. */
import { CONSTANTS, HALF, LARGEST_SHORT, NEGATIVE, SHIFT } from './pair-constants.ts';

/** Two numbers to integers in the lower halves: half a step is added away from zero, then what is behind the point cut off. */
function shortsOf(pair: v128, largest: v128, negative: v128, half: v128, shift: v128): v128 {
  const scaled = f64x2.mul(pair, largest);
  const moved = f64x2.add(scaled, v128.or(v128.and(scaled, negative), half));
  return f64x2.add(f64x2.trunc(moved), shift);
}

/** Quaternions (4 Float64) to normalised 16-bit integers, two at a time: one more than asked for may be written. */
export function storeShorts(values: usize, count: i32, out: usize): void {
  const negative = v128.load64_splat(CONSTANTS + NEGATIVE);
  const half = v128.load64_splat(CONSTANTS + HALF);
  const largest = v128.load64_splat(CONSTANTS + LARGEST_SHORT);
  const shift = v128.load64_splat(CONSTANTS + SHIFT);
  const end = values + ((<usize>count) << 5);
  let to = out;
  for (let from = values; from < end; from += 64) {
    const axy = shortsOf(v128.load(from), largest, negative, half, shift);
    const azw = shortsOf(v128.load(from, 16), largest, negative, half, shift);
    const bxy = shortsOf(v128.load(from, 32), largest, negative, half, shift);
    const bzw = shortsOf(v128.load(from, 48), largest, negative, half, shift);
    const a = v128.shuffle<i32>(axy, azw, 0, 2, 4, 6);
    const b = v128.shuffle<i32>(bxy, bzw, 0, 2, 4, 6);
    v128.store(to, i16x8.narrow_i32x4_s(a, b));
    to += 16;
  }
}

/** The same to Float32. */
export function storeFloats(values: usize, count: i32, out: usize): void {
  for (let k = 0; k < count; k++) {
    const from = values + ((<usize>k) << 5);
    const xy = f32x4.demote_f64x2_zero(v128.load(from));
    const zw = f32x4.demote_f64x2_zero(v128.load(from, 16));
    v128.store(out + ((<usize>k) << 4), v128.shuffle<i32>(xy, zw, 0, 1, 4, 5));
  }
}
