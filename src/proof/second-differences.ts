/** How abruptly joints move: second differences of rotations and positions, and the most of them around each frame. */

const DEGREES = 180 / Math.PI;

/** Up to this tangent of half the angle a series of five terms gives the arc to 1e-14. */
const SMALL_TANGENT = 0.05;

const NONE = new Float64Array(0);

/**
 * Half the second difference of a joint's rotation against the joint above, in degrees: a single frame that is turned
 * away by an angle shows that angle there, and half of it before and after. It is the angular acceleration × dt² / 2.
 * @param own, parent  world rotations, frameCount × 4; without a parent against the world
 * @param jumps   overwritten and returned; the first and the last are 0
 * @param usual   times `factor` what is of no interest: a jump that is no larger may be given as 0, and so may one below
 *   1e-150 degrees, whose square is none
 */
export function turnJumpsOf(
  own: Float64Array,
  parent: Float64Array | null,
  jumps: Float64Array = new Float64Array(own.length / 4),
  usual: Float64Array = NONE,
  factor = 0,
): Float64Array {
  turnJumps(jumps, own, parent ?? own, parent !== null, usual, factor);
  return jumps;
}

/** From a rotation to its vector the way grows by 1 / cos of half the angle: no more than this up to the small tangent. */
const LONGER = 1 + SMALL_TANGENT * SMALL_TANGENT;

function turnJumps(
  jumps: Float64Array,
  own: Float64Array,
  parent: Float64Array,
  hasParent: boolean,
  usual: Float64Array,
  factor: number,
): void {
  // Rotation against the parent in the frame before, the turn from the frame before that to it, and its scale; NaN: not yet known.
  let lx = 0;
  let ly = 0;
  let lz = 0;
  let lw = 1;
  let px = 0;
  let py = 0;
  let pz = 0;
  let pw = 1;
  let pk = Number.NaN;
  let isSmallBefore = false;
  jumps.fill(0, 0, 1);
  jumps.fill(0, -1);
  for (let f = 0, i = 0; f < jumps.length; f++, i += 4) {
    const bx = own[i]!;
    const by = own[i + 1]!;
    const bz = own[i + 2]!;
    const bw = own[i + 3]!;
    let rx = bx;
    let ry = by;
    let rz = bz;
    let rw = bw;
    if (hasParent) {
      const ax = parent[i]!;
      const ay = parent[i + 1]!;
      const az = parent[i + 2]!;
      const aw = parent[i + 3]!;
      rx = aw * bx - ax * bw - ay * bz + az * by;
      ry = aw * by + ax * bz - ay * bw - az * bx;
      rz = aw * bz - ax * by + ay * bx - az * bw;
      rw = aw * bw + ax * bx + ay * by + az * bz;
    }
    const sx = lw * rx - lx * rw - ly * rz + lz * ry;
    const sy = lw * ry + lx * rz - ly * rw - lz * rx;
    const sz = lw * rz - lx * ry + ly * rx - lz * rw;
    const sw = lw * rw + lx * rx + ly * ry + lz * rz;
    lx = rx;
    ly = ry;
    lz = rz;
    lw = rw;
    if (f === 0) continue;
    const square = sx * sx + sy * sy + sz * sz;
    const isSmall = sw > 0 && square < SMALL_TANGENT * SMALL_TANGENT * sw * sw;
    let k = Number.NaN;
    if (f > 1) {
      const nx = sx - px;
      const ny = sy - py;
      const nz = sz - pz;
      const most = isSmall && isSmallBefore && f <= usual.length ? (factor * usual[f - 1]!) / (LONGER * DEGREES) : 0;
      if (nx * nx + ny * ny + nz * nz < most * most) jumps[f - 1] = 0;
      else {
        k = vectorScale(square, sw);
        if (Number.isNaN(pk)) pk = vectorScale(px * px + py * py + pz * pz, pw);
        const dx = sx * k - px * pk;
        const dy = sy * k - py * pk;
        const dz = sz * k - pz * pk;
        jumps[f - 1] = (Math.sqrt(dx * dx + dy * dy + dz * dz) / 2) * DEGREES;
      }
    }
    px = sx;
    py = sy;
    pz = sz;
    pw = sw;
    pk = k;
    isSmallBefore = isSmall;
  }
}

/** Length of a rotation vector over that of the quaternion's xyz: angle / sin(angle / 2). */
function vectorScale(square: number, w: number): number {
  if (square < SMALL_TANGENT * SMALL_TANGENT * w * w) {
    const t = square / (w * w);
    return (2 * (1 - t * (1 / 3 - t * (1 / 5 - t * (1 / 7 - t / 9))))) / w;
  }
  const s = Math.sqrt(square);
  return ((w < 0 ? -2 : 2) * Math.atan2(s, Math.abs(w))) / s;
}

/**
 * Half the second difference of a position seen from another, divided by a length.
 * @param own, from  world paths, frameCount × 3
 * @param jumps  overwritten and returned; the first and the last are 0
 */
export function positionJumpsOf(
  own: Float64Array,
  from: Float64Array,
  length: number,
  jumps: Float64Array = new Float64Array(own.length / 3),
): Float64Array {
  jumps.fill(0, 0, 1);
  jumps.fill(0, -1);
  for (let f = 1, i = 3; f + 1 < jumps.length; f++, i += 3) {
    const x = own[i - 3]! - from[i - 3]! - 2 * (own[i]! - from[i]!) + (own[i + 3]! - from[i + 3]!);
    const y = own[i - 2]! - from[i - 2]! - 2 * (own[i + 1]! - from[i + 1]!) + (own[i + 4]! - from[i + 4]!);
    const z = own[i - 1]! - from[i - 1]! - 2 * (own[i + 2]! - from[i + 2]!) + (own[i + 5]! - from[i + 5]!);
    jumps[f] = Math.sqrt(x * x + y * y + z * z) / 2 / length;
  }
  return jumps;
}

/** Second differences of the sum of two paths times `scale`, of the frames from the second to the last but one. */
export function middleAccelerations(
  left: Float64Array,
  right: Float64Array,
  scale: number,
  frameCount: number,
): Float64Array {
  const result = new Float64Array(frameCount - 2);
  for (let f = 0, i = 3; f < result.length; f++, i += 3) {
    const x = left[i - 3]! + right[i - 3]! - 2 * (left[i]! + right[i]!) + (left[i + 3]! + right[i + 3]!);
    const y = left[i - 2]! + right[i - 2]! - 2 * (left[i + 1]! + right[i + 1]!) + (left[i + 4]! + right[i + 4]!);
    const z = left[i - 1]! + right[i - 1]! - 2 * (left[i + 2]! + right[i + 2]!) + (left[i + 5]! + right[i + 5]!);
    result[f] = scale * Math.sqrt(x * x + y * y + z * z);
  }
  return result;
}

/** sum += series · factor */
export function addTimes(sum: Float64Array, series: Float64Array, factor: number): void {
  for (let f = 0; f < sum.length; f++) sum[f]! += series[f]! * factor;
}

/**
 * The most that a series of numbers from 0 up reaches between `from` and `to` frames away from each frame, both included; 0
 * where no frame is that far away. The maximum of a window of 2ⁿ is that of two windows of half its width.
 */
export function windowMax(series: Float64Array, from: number, to: number): Float64Array {
  const width = to - from + 1;
  const before = Math.max(0, -from);
  const padded = new Float64Array(before + series.length + Math.max(0, to) + width);
  padded.set(series, before);
  let reached = 1;
  for (; reached * 2 <= width; reached *= 2) widen(padded, reached);
  if (reached < width) widen(padded, width - reached);
  return padded.subarray(from + before, from + before + series.length);
}

/** values[i] = the larger of itself and the one `step` behind it. */
function widen(values: Float64Array, step: number): void {
  for (let i = 0; i + step < values.length; i++) if (values[i + step]! > values[i]!) values[i] = values[i + step]!;
}
