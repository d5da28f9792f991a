/**
 * AssemblyScript, compiled to WebAssembly by `npm run build:kernels`: the frames of a BVH file to numbers, and numbers to
 * rotations. The same arithmetic in the same order as `src/formats/bvh/scanner.ts` and `decoder.ts`, which are its
 * reference and go on wherever it stops: `tests/formats/bvh/kernel.test.ts` holds both to the same bits.
 *
 * It owns no memory: `src/formats/bvh/kernel.ts` lays everything out and hands over addresses.
 */

const TAB: u32 = 9;
const LINE_FEED: u32 = 10;
const RETURN: u32 = 13;
const BLANK: u32 = 32;
const PLUS: u32 = 43;
const MINUS: u32 = 45;
const POINT: u32 = 46;
const ZERO: u32 = 48;
const LOWER_CASE: u32 = 32;
const LETTER_E: u32 = 101;

/** Bytes of a vector: a number with fewer is read in one go. */
const LANES: i32 = 16;
/** The reference takes what is larger: it reduces such angles first, and says which are too large to be kept. */
const LARGEST: f64 = 1099511627776; // 2^40

/** Exact powers of ten: 10^0 … 10^22. */
const POWERS: usize = memory.data<f64>([
  1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20,
  1e21, 1e22,
]);
const EXACT_POWER: i32 = 22;
/** 10^(k - MAX_POWER) = high[k] + low[k]: filled by who starts the kernel, see `numbers.ts`. */
const MAX_POWER: i32 = 60;
export const powerHigh: usize = memory.data((2 * 60 + 1) * 8, 8);
export const powerLow: usize = memory.data((2 * 60 + 1) * 8, 8);
/** Where the number ends that `readDecimal` has read. */
let tokenEnd: usize = 0;
/** First byte that is free for who starts the kernel. */
export const heapStart: usize = __heap_base;

// What `scan` has come to.

/** Address of the next byte. */
export let at: usize = 0;
/** Values of the row that is not whole yet. */
export let filled: i32 = 0;
/** Lines that have ended, address behind the last of their ends (0: none), and of the last CR. */
export let lines: i32 = 0;
export let lineStart: usize = 0;
export let lastReturn: usize = 0;

/**
 * Reads numbers from `start` up to `end` into rows of `channelCount` values and a 0, until `rowCount` rows are whole, the
 * bytes are used up, or something comes that is left to the reference. The byte before `end` and the 16 behind it must be
 * blank. The first row holds `count` values already.
 *
 * @param isWrapped  whether a line is known to have ended within a frame: the first such end is left to the reference
 * @param crAt       address of a CR just before `start`, else 0
 * @returns rows that are whole
 */
export function scan(
  start: usize,
  end: usize,
  rows: usize,
  rowCount: i32,
  channelCount: i32,
  count: i32,
  isWrapped: bool,
  crAt: usize,
): i32 {
  let p = start;
  let row = 0;
  let column = count;
  let out = rows + ((<usize>column) << 3);
  let lineCount = 0;
  let lineAt: usize = 0;
  let cr = crAt;
  while (row < rowCount) {
    const characters = v128.load(p);
    const blanks: u32 = i8x16.bitmask(i8x16.le_u(characters, i8x16.splat(<i8>BLANK)));
    if ((blanks & 1) !== 0) {
      if (p >= end) break;
      const byte: u32 = load<u8>(p);
      if (byte === LINE_FEED || byte === RETURN) {
        if (byte === RETURN || p !== cr + 1) {
          // Where a line first ends within a frame is for the reference to note.
          if (column > 0 && !isWrapped) break;
          lineCount++;
        }
        if (byte === RETURN) cr = p;
        lineAt = p + 1;
      } else if (byte !== BLANK && byte - TAB > RETURN - TAB) {
        break;
      }
      p++;
      continue;
    }

    const byte: u32 = i8x16.extract_lane_u(characters, 0);
    const isMinus: u32 = u32(byte === MINUS);
    const signs: u32 = isMinus | u32(byte === PLUS);
    const length: i32 = ctz(blanks | (1 << LANES));
    const digits = i8x16.sub(characters, i8x16.splat(<i8>ZERO));
    const digitBits: u32 = i8x16.bitmask(i8x16.le_u(digits, i8x16.splat(9)));
    // Characters of the mantissa, and of these what is no digit: at most one, a point.
    let mantissaEnd = length;
    let others: u32 = ((1 << length) - 1) & ~signs & ~digitBits;
    let exponent: i32 = 0;
    let next = p + length;
    let isPlain = length < LANES;
    if ((others & (others - 1)) !== 0) {
      const letterBits: u32 = i8x16.bitmask(
        i8x16.eq(v128.or(characters, i8x16.splat(<i8>LOWER_CASE)), i8x16.splat(<i8>LETTER_E)),
      );
      mantissaEnd = ctz((letterBits & others) | (1 << LANES));
      others &= (1 << mantissaEnd) - 1;
      exponent = readExponent(p + mantissaEnd + 1, next);
      isPlain = isPlain && mantissaEnd < length && exponent !== NO_EXPONENT && (others & (others - 1)) === 0;
    }
    const hasPoint: i32 = i32(others !== 0);
    const pointAt: i32 = hasPoint !== 0 ? ctz(others) : -1;
    const digitCount: i32 = mantissaEnd - signs - hasPoint;
    let value: f64;
    if (isPlain && digitCount > 0 && (hasPoint === 0 || load<u8>(p + pointAt) === POINT)) {
      // The digits without point and sign, the last one in the last lane: lanes up to the point come from one before.
      const clean = i8x16.replace_lane(digits, 0, signs !== 0 ? <i8>0 : <i8>(byte - ZERO));
      const index = i8x16.add(
        v128(0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15),
        i8x16.splat(<i8>(mantissaEnd - LANES)),
      );
      const aligned = i8x16.swizzle(clean, i8x16.add(index, i8x16.le_s(index, i8x16.splat(<i8>pointAt))));
      // Pairs of digits: (tens + 256 ones) · 2561 has 10 tens + ones in its upper byte. Then fours, eights, all.
      const pairs = i16x8.shr_u(i16x8.mul(aligned, i16x8.splat(2561)), 8);
      const fours = i32x4.dot_i16x8_s(pairs, i16x8(100, 1, 100, 1, 100, 1, 100, 1));
      const eights = i32x4.dot_i16x8_s(
        i16x8.narrow_i32x4_s(fours, fours),
        i16x8(10000, 1, 10000, 1, 10000, 1, 10000, 1),
      );
      const halves = f64x2.convert_low_i32x4_s(eights);
      const mantissa = f64x2.extract_lane(halves, 0) * 1e8 + f64x2.extract_lane(halves, 1);
      if (hasPoint !== 0) exponent -= mantissaEnd - 1 - pointAt;
      if (exponent < -EXACT_POWER || exponent > EXACT_POWER) value = scaleByPower(mantissa, 0, exponent);
      else if (exponent <= 0) value = mantissa / load<f64>(POWERS + ((<usize>-exponent) << 3));
      else value = mantissa * load<f64>(POWERS + ((<usize>exponent) << 3));
    } else {
      value = readDecimal(p + signs);
      next = tokenEnd;
    }
    if (!(value < LARGEST)) break;
    // A number is followed by one blank, mostly.
    p = next + usize(load<u8>(next) === BLANK);
    store<u64>(out, reinterpret<u64>(value) | ((<u64>isMinus) << 63));
    out += 8;
    if (++column === channelCount) {
      column = 0;
      row++;
      out += 8;
    }
  }
  at = p;
  filled = column;
  lines = lineCount;
  lineStart = lineAt;
  lastReturn = cr;
  return row;
}

/** What is no power of ten; and more than any that is added to it leaves it so. */
const NO_EXPONENT: i32 = 1 << 20;

/** The power of ten in [start … end): a sign or none and up to four digits. */
function readExponent(start: usize, end: usize): i32 {
  let p = start;
  const byte: u32 = load<u8>(p);
  const isShrinking = byte === MINUS;
  if (isShrinking || byte === PLUS) p++;
  if (p >= end || end - p > 4) return NO_EXPONENT;
  let power: i32 = 0;
  for (; p < end; p++) {
    const digit = <u32>load<u8>(p) - ZERO;
    if (digit > 9) return NO_EXPONENT;
    power = power * 10 + digit;
  }
  return isShrinking ? -power : power;
}

/** `readDecimal` of numbers.ts, without the sign: NaN where that is not certain. Sets `tokenEnd`. */
function readDecimal(start: usize): f64 {
  let end = start;
  while (<u32>load<u8>(end) > BLANK) end++;
  tokenEnd = end;
  let high: u32 = 0;
  let low: u32 = 0;
  let significant: i32 = 0;
  let point: usize = 0;
  let p = start;
  for (; p < end; p++) {
    const digit = <u32>load<u8>(p) - ZERO;
    if (digit <= 9) {
      if (significant < 9) {
        high = high * 10 + digit;
        if (high > 0) significant++;
      } else {
        low = low * 10 + digit;
        if (++significant > 18) return NaN;
      }
    } else if (digit === POINT - ZERO && point === 0) {
      point = p;
    } else {
      break;
    }
  }
  if (p - start === (point === 0 ? 0 : 1)) return NaN;
  let exponent: i32 = point === 0 ? 0 : <i32>(point + 1 - p);
  if (p < end) {
    if ((<u32>load<u8>(p) | LOWER_CASE) !== LETTER_E) return NaN;
    const power = readExponent(p + 1, end);
    if (power === NO_EXPONENT) return NaN;
    exponent += power;
  }
  const lowDigits: usize = significant > 9 ? significant - 9 : 0;
  return high === 0 ? 0 : scaleByPower(<f64>high * load<f64>(POWERS + (lowDigits << 3)), low, exponent);
}

/** 2^27 + 1 and the error bound of `scaleByPower` in numbers.ts. */
const SPLITTER: f64 = 134217729;
const PRODUCT_ERROR: f64 = 7.888609052210118e-31; // 2^-100

/** `scaleByPower` of numbers.ts: (high + low) · 10^exponent, correctly rounded, or NaN where that is not certain. */
function scaleByPower(high: f64, low: f64, exponent: i32): f64 {
  const sum = high + low;
  const rest = low - (sum - high);
  if (rest === 0 && exponent >= -EXACT_POWER && exponent <= EXACT_POWER) {
    if (exponent < 0) return sum / load<f64>(POWERS + ((<usize>-exponent) << 3));
    return sum * load<f64>(POWERS + ((<usize>exponent) << 3));
  }
  if (exponent < -MAX_POWER || exponent > MAX_POWER) return NaN;
  const power = load<f64>(powerHigh + ((<usize>(exponent + MAX_POWER)) << 3));
  const product = sum * power;
  const s = sum * SPLITTER;
  const sumHigh = s - (s - sum);
  const sumLow = sum - sumHigh;
  const t = power * SPLITTER;
  const high2 = t - (t - power);
  const low2 = power - high2;
  const roundOff = sumLow * low2 - (product - sumHigh * high2 - sumLow * high2 - sumHigh * low2);
  const tail = roundOff + (sum * load<f64>(powerLow + ((<usize>(exponent + MAX_POWER)) << 3)) + rest * power);
  const error = product * PRODUCT_ERROR;
  const value = product + (tail - error);
  return value === product + (tail + error) ? value : NaN;
}

/** The fits of decoder.ts. */
const S1: f64 = -0.16666666666402383;
const S2: f64 = 0.008333333316519064;
const S3: f64 = -0.0001984126601105062;
const S4: f64 = 2.7556901465130912e-6;
const S5: f64 = -2.502846273794966e-8;
const S6: f64 = 1.538743748044855e-10;
const C1: f64 = -0.4999999999793833;
const C2: f64 = 0.041666666503961426;
const C3: f64 = -0.0013888884612196604;
const C4: f64 = 2.4801070160355368e-5;
const C5: f64 = -2.752566045820705e-7;
const C6: f64 = 1.991994552505496e-9;
const RADIANS: f64 = 0.017453292519943295;

function add(a: v128, b: v128): v128 {
  return f64x2.add(a, b);
}

function mul(a: v128, b: v128): v128 {
  return f64x2.mul(a, b);
}

/** Half of two angles in degrees, in radians within ±π/2, as `halfAngle` of decoder.ts. */
function halfAngles(degrees: v128): v128 {
  const half = mul(degrees, f64x2.splat(0.5));
  const turns = f64x2.floor(add(mul(half, f64x2.splat(1.0 / 180.0)), f64x2.splat(0.5)));
  const within = f64x2.sub(half, mul(f64x2.splat(180), turns));
  const isFar = f64x2.gt(f64x2.abs(half), f64x2.splat(90));
  return mul(v128.bitselect(within, half, isFar), f64x2.splat(RADIANS));
}

function sines(x: v128): v128 {
  const z = mul(x, x);
  let sum = mul(z, f64x2.splat(S6));
  sum = mul(z, add(f64x2.splat(S5), sum));
  sum = mul(z, add(f64x2.splat(S4), sum));
  sum = mul(z, add(f64x2.splat(S3), sum));
  sum = mul(z, add(f64x2.splat(S2), sum));
  return add(x, mul(mul(x, z), add(f64x2.splat(S1), sum)));
}

function cosines(x: v128): v128 {
  const z = mul(x, x);
  let sum = mul(z, f64x2.splat(C6));
  sum = mul(z, add(f64x2.splat(C5), sum));
  sum = mul(z, add(f64x2.splat(C4), sum));
  sum = mul(z, add(f64x2.splat(C3), sum));
  sum = mul(z, add(f64x2.splat(C2), sum));
  return add(f64x2.splat(1), mul(z, add(f64x2.splat(C1), sum)));
}

/** The number at `a` and that at `b`. */
function pair(a: usize, b: usize): v128 {
  return v128.load64_lane(b, v128.load64_zero(a), 1);
}

/** The Float32 at `address` as lane 0, and lane 0 of `stored` as lane 1: what stands one row above each of two rows. */
function above(address: usize, stored: v128): v128 {
  return f64x2.promote_low_f32x4(v128.shuffle<i32>(v128.load32_zero(address), stored, 0, 4, 0, 4));
}

/**
 * Rotations of `rowCount` rows of values, two rows at a time: `decodeRotations` of decoder.ts.
 *
 * @param joints  a record of 40 bytes a turned joint: offsets in bytes of its three angles in a row of values, of its
 *                quaternion's components i, j, k, w in a row of rotations (Int32), and the parity (Float64)
 * @param out     Float32 rows of `outStride` bytes, of which the one before holds the frame before, or the identity
 */
export function decode(
  values: usize,
  valueStride: usize,
  rowCount: i32,
  joints: usize,
  jointCount: i32,
  out: usize,
  outStride: usize,
): void {
  let v = values;
  let o = out;
  for (let row = 0; row < rowCount; row += 2) {
    // An odd last row is its own second.
    const isSingle = row + 1 === rowCount;
    const v2 = isSingle ? v : v + valueStride;
    const o2 = isSingle ? o : o + outStride;
    const before = o - outStride;
    for (let record = joints, last = joints + <usize>jointCount * 40; record < last; record += 40) {
      const t1 = <usize>load<u32>(record);
      const t2 = <usize>load<u32>(record, 4);
      const t3 = <usize>load<u32>(record, 8);
      const h1 = halfAngles(pair(v + t1, v2 + t1));
      const h2 = halfAngles(pair(v + t2, v2 + t2));
      const h3 = halfAngles(pair(v + t3, v2 + t3));
      const c1 = cosines(h1);
      const s1 = sines(h1);
      const c2 = cosines(h2);
      const s2 = sines(h2);
      const c3 = cosines(h3);
      const s3 = sines(h3);
      const e = v128.load64_splat(record, 32);
      const cc = mul(c2, c3);
      const ss = mul(mul(e, s2), s3);
      const sc = mul(s2, c3);
      const cs = mul(mul(e, c2), s3);
      const w = f64x2.sub(mul(c1, cc), mul(s1, ss));
      const i = add(mul(s1, cc), mul(c1, ss));
      const j = f64x2.sub(mul(c1, sc), mul(s1, cs));
      const k = mul(e, add(mul(c1, cs), mul(s1, sc)));

      const oi = <usize>load<u32>(record, 12);
      const oj = <usize>load<u32>(record, 16);
      const ok = <usize>load<u32>(record, 20);
      const ow = <usize>load<u32>(record, 24);
      const wStored = f32x4.demote_f64x2_zero(w);
      const iStored = f32x4.demote_f64x2_zero(i);
      const jStored = f32x4.demote_f64x2_zero(j);
      const kStored = f32x4.demote_f64x2_zero(k);
      const dots = add(
        add(
          add(mul(w, above(before + ow, wStored)), mul(i, above(before + oi, iStored))),
          mul(j, above(before + oj, jStored)),
        ),
        mul(k, above(before + ok, kStored)),
      );
      // The second row is compared with the first as that is stored, so the other way round where its sign was turned.
      const first = f64x2.extract_lane(dots, 0);
      const second = f64x2.extract_lane(dots, 1);
      const isTurned = first < 0;
      const signs = i32x4(i32(isTurned) << 31, i32(isTurned ? second > 0 : second < 0) << 31, 0, 0);
      put(o + oi, o2 + oi, iStored, signs);
      put(o + oj, o2 + oj, jStored, signs);
      put(o + ok, o2 + ok, kStored, signs);
      put(o + ow, o2 + ow, wStored, signs);
    }
    v = v2 + valueStride;
    o = o2 + outStride;
  }
}

function put(first: usize, second: usize, pairStored: v128, signs: v128): void {
  const signed = v128.xor(pairStored, signs);
  v128.store32_lane(second, signed, 1);
  v128.store32_lane(first, signed, 0);
}
