/**
 * AssemblyScript, compiled to WebAssembly by `npm run build:kernels`: the rotations of a clip to channels, channels to
 * keys, keys to bytes. The same arithmetic in the same order as `src/formats/gltf/gather-rotations.ts`, `reduce-keys.ts`
 * and `store-keys.ts`, which are its reference: `tests/formats/gltf/key-kernel.test.ts` holds both to the same bits.
 *
 * It owns no memory: `src/formats/gltf/key-kernel.ts` lays everything out and hands over addresses.
 */

/** First byte that is free for who starts the kernel. */
export const heapStart: usize = __heap_base;

/**
 * Frame-major rows of quaternions (4 Float32) to one run a joint, a piece of the clip after the other: run `j` begins at
 * `out` + `j` · `stride`. Of a joint that has not moved yet only the first frame is laid out, as most joints of a rig
 * never move.
 *
 * @param rows   `rowCount` rows of the clip, the first of them row `done`
 * @param moves  one Int32 a joint, overwritten: whether some bit of its rotation was not that of the first row, or no number
 */
export function transpose(
  rows: usize,
  rowCount: i32,
  jointCount: i32,
  out: usize,
  stride: usize,
  done: i32,
  moves: usize,
): void {
  const rowBytes = (<usize>jointCount) << 4;
  const end = rows + <usize>rowCount * rowBytes;
  for (let j = 0; j < jointCount; j++) {
    let from = rows + ((<usize>j) << 4);
    const run = out + <usize>j * stride;
    const flag = moves + ((<usize>j) << 2);
    if (done === 0) {
      const first = v128.load(from);
      v128.store(run, first);
      store<i32>(flag, v128.any_true(f32x4.ne(first, first)) ? 1 : 0);
    }
    if (load<i32>(flag) === 0) {
      const first = v128.load(run);
      let other = v128.xor(first, first);
      let at = from;
      for (; at + rowBytes * 3 < end; at += rowBytes * 4) {
        const two = v128.or(v128.xor(v128.load(at), first), v128.xor(v128.load(at + rowBytes), first));
        const more = at + rowBytes * 2;
        const last = v128.or(v128.xor(v128.load(more), first), v128.xor(v128.load(more + rowBytes), first));
        other = v128.or(other, v128.or(two, last));
      }
      for (; at < end; at += rowBytes) other = v128.or(other, v128.xor(v128.load(at), first));
      if (!v128.any_true(other)) continue;
      store<i32>(flag, 1);
      repeat(run, done);
    }
    let to = run + ((<usize>done) << 4);
    for (; from + rowBytes * 3 < end; from += rowBytes * 4) {
      const more = from + rowBytes * 2;
      v128.store(to, v128.load(from));
      v128.store(to, v128.load(from + rowBytes), 16);
      v128.store(to, v128.load(more), 32);
      v128.store(to, v128.load(more + rowBytes), 48);
      to += 64;
    }
    for (; from < end; from += rowBytes) {
      v128.store(to, v128.load(from));
      to += 16;
    }
  }
}

/** Fills the first `count` quaternions of a run (4 Float32 each) with the first. */
export function repeat(run: usize, count: i32): void {
  const first = v128.load(run);
  const end = run + ((<usize>count) << 4);
  for (let at = run + 16; at < end; at += 16) v128.store(at, first);
}

/** Whether all quaternions of a run (4 Float32 each) are the first. */
export function holdsStill(run: usize, count: i32): bool {
  const first = v128.load(run);
  const end = run + ((<usize>count) << 4);
  for (let at = run + 16; at < end; at += 16) {
    if (v128.any_true(f32x4.ne(v128.load(at), first))) return false;
  }
  return true;
}

/**
 * Read before a loop, a constant stays in a register. Written into the code it is made anew in every round, by three or
 * four instructions each: gathering took half as long again.
 */
const CONSTANTS: usize = memory.data<f64>([-0.0, 0.5, 1, 1.5, 1e-6, 32767, 6755399441055744]);
// Their places, in bytes.
const NEGATIVE: usize = 0;
const HALF: usize = 8;
const ONE: usize = 16;
const ONE_AND_HALF: usize = 24;
const NEAR: usize = 32;
const LARGEST_SHORT: usize = 40;
/** 1.5 · 2⁵²: an integer that is added to it stands in the lower 32 bits. */
const SHIFT: usize = 48;

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

/** A line may turn by less than this from its key: |w| of 0.5 is 120 degrees. Below half a turn slerp goes our way. */
const SMALLEST_W: f64 = 0.5;

/**
 * 2 acos(w) / sqrt(1 - w²), what turns xyz of a unit quaternion into its rotation vector, as a polynomial in 1 - w through
 * nine Chebyshev points of 0 … 0.5: off by at most 2.9e-11 of the value there (at 2001 points, 50 digits).
 */
const L0: f64 = 2.000000000054088;
const L1: f64 = 0.6666666491680934;
const L2: f64 = 0.26666759292940845;
const L3: f64 = 0.11426696637028401;
const L4: f64 = 0.050982073886356;
const L5: f64 = 0.02203768424404385;
const L6: f64 = 0.01402425519231971;
const L7: f64 = -0.0010724261012894862;
const L8: f64 = 0.00761617034321653;

/** The same below 10 degrees, where nearly all lines end: 2 + 2/3 u + 4/15 u² + 4/35 u³, off by 7e-12 of the value at most. */
const SMALL_U: f64 = 0.004;
const T1: f64 = 2.0 / 3;
const T2: f64 = 4.0 / 15;
const T3: f64 = 4.0 / 35;

/** Inverse factorials: sin(h) / h = 1 - S1 h² + S2 h⁴ - …, cos(h) = 1 - C1 h² + C2 h⁴ - … */
const S1: f64 = 1.0 / 6;
const S2: f64 = 1.0 / 120;
const S3: f64 = 1.0 / 5040;
const S4: f64 = 1.0 / 362880;
const S5: f64 = 1.0 / 39916800;
const S6: f64 = 1.0 / 6227020800;
const S7: f64 = 1.0 / 1307674368000;
const C1: f64 = 1.0 / 2;
const C2: f64 = 1.0 / 24;
const C3: f64 = 1.0 / 720;
const C4: f64 = 1.0 / 40320;
const C5: f64 = 1.0 / 3628800;
const C6: f64 = 1.0 / 479001600;
const C7: f64 = 1.0 / 87178291200;

/**
 * `reduceKeys` of reduce-keys.ts for a rotation, whole: see there for how and why.
 *
 * @param values     quaternions, 4 Float64 a frame
 * @param radius     what is left of the tolerance
 * @param keyFrames  room for `enough` + 2 Int32
 * @param keyValues  room for `enough` + 2 quaternions, 4 Float64 each
 * @returns the number of keys, or `enough` + 1 where there are more
 */
export function reduce(
  values: usize,
  frameCount: i32,
  radius: f64,
  keyFrames: usize,
  keyValues: usize,
  enough: i32,
): i32 {
  let kx = load<f64>(values);
  let ky = load<f64>(values, 8);
  let kz = load<f64>(values, 16);
  let kw = load<f64>(values, 24);
  store<i32>(keyFrames, 0);
  store<f64>(keyValues, kx);
  store<f64>(keyValues, ky, 8);
  store<f64>(keyValues, kz, 16);
  store<f64>(keyValues, kw, 24);
  let keyCount = 1;
  let keyFrame = 0;
  let cx: f64 = 0;
  let cy: f64 = 0;
  let cz: f64 = 0;
  let ball: f64 = 0;
  let f = 1;
  while (f < frameCount) {
    const n: i32 = f - keyFrame;
    // r: the value as seen from the key.
    const at = values + ((<usize>f) << 5);
    const qx = load<f64>(at);
    const qy = load<f64>(at, 8);
    const qz = load<f64>(at, 16);
    const qw = load<f64>(at, 24);
    const dot = kw * qw + kx * qx + ky * qy + kz * qz;
    const x = kw * qx - kx * qw - ky * qz + kz * qy;
    const y = kw * qy + kx * qz - ky * qw - kz * qx;
    const z = kw * qz - kx * qy + ky * qx - kz * qw;
    const w = abs(dot);
    const isInReach = w > SMALLEST_W;
    const u = 1 - w;
    const u2 = u * u;
    const u4 = u2 * u2;
    const k =
      u < SMALL_U
        ? 2 + T1 * u + (T2 + T3 * u) * u2
        : L0 + L1 * u + (L2 + L3 * u) * u2 + (L4 + L5 * u + (L6 + L7 * u) * u2) * u4 + L8 * (u4 * u4);
    const signed = dot < 0 ? -k : k;
    const rx = x * signed;
    const ry = y * signed;
    const rz = z * signed;
    if (n === 1) {
      // A line of one frame ends on the sample itself and serves it always.
      cx = rx;
      cy = ry;
      cz = rz;
      ball = radius;
      f++;
      if (isInReach && f < frameCount) continue;
    } else if (isInReach) {
      const perFrame = 1 / <f64>n;
      const dx = rx * perFrame - cx;
      const dy = ry * perFrame - cy;
      const dz = rz * perFrame - cz;
      const next = radius * perFrame;
      const squared = dx * dx + dy * dy + dz * dz;
      const reach = ball + next;
      if (squared < reach * reach) {
        // The largest ball inside both: the smaller one where it lies within the other, else the lens between them.
        const distance = sqrt(squared);
        if (distance + next <= ball) {
          cx += dx;
          cy += dy;
          cz += dz;
          ball = next;
        } else if (distance + ball > next) {
          const t = (distance + ball - next) / (2 * distance);
          cx += dx * t;
          cy += dy * t;
          cz += dz * t;
          ball = (reach - distance) / 2;
        }
        f++;
        if (f < frameCount) continue;
      }
    }

    // No velocity serves frame f as well, or there is none: frame f - 1 becomes a key.
    const steps = f - 1 - keyFrame;
    if (steps === 1) {
      const from = values + ((<usize>(f - 1)) << 5);
      const sx = load<f64>(from);
      const sy = load<f64>(from, 8);
      const sz = load<f64>(from, 16);
      const sw = load<f64>(from, 24);
      // The key before may be a turn by just over half a turn away, where the sample before it was just under.
      const isFar = sx * kx + sy * ky + sz * kz + sw * kw < 0;
      kx = isFar ? -sx : sx;
      ky = isFar ? -sy : sy;
      kz = isFar ? -sz : sz;
      kw = isFar ? -sw : sw;
    } else {
      // key ← key · exp(steps · c), then one Newton step towards length 1.
      const half = <f64>steps / 2;
      const hx = cx * half;
      const hy = cy * half;
      const hz = cz * half;
      const h2 = hx * hx + hy * hy + hz * hz;
      const h4 = h2 * h2;
      const h8 = h4 * h4;
      const s = 1 - S1 * h2 + (S2 - S3 * h2) * h4 + (S4 - S5 * h2 + (S6 - S7 * h2) * h4) * h8;
      const ew = 1 - C1 * h2 + (C2 - C3 * h2) * h4 + (C4 - C5 * h2 + (C6 - C7 * h2) * h4) * h8;
      const ex = hx * s;
      const ey = hy * s;
      const ez = hz * s;
      const nx = kw * ex + kx * ew + ky * ez - kz * ey;
      const ny = kw * ey - kx * ez + ky * ew + kz * ex;
      const nz = kw * ez + kx * ey - ky * ex + kz * ew;
      const nw = kw * ew - kx * ex - ky * ey - kz * ez;
      const unit = 1.5 - 0.5 * (ew * ew + s * s * h2);
      kx = nx * unit;
      ky = ny * unit;
      kz = nz * unit;
      kw = nw * unit;
    }
    keyFrame = f - 1;
    const to = keyValues + ((<usize>keyCount) << 5);
    store<i32>(keyFrames + ((<usize>keyCount) << 2), keyFrame);
    store<f64>(to, kx);
    store<f64>(to, ky, 8);
    store<f64>(to, kz, 16);
    store<f64>(to, kw, 24);
    if (++keyCount > enough) break;
  }
  return keyCount;
}
