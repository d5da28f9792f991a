/**
 * Angles between directions and between rotations, frame by frame. What is asked for are a median, a percentile and the
 * largest: of most frames only the order. So a series holds a key that rises with the angle and costs no arc: y / (x + y) for the
 * angle whose sine and cosine are as y ≥ 0 to x, carried on beyond a right angle. `degreesOf` gives the angle of a key.
 */

const DEGREES = 180 / Math.PI;

/** Degrees of a key, 0 to 180. */
export function degreesOf(key: number): number {
  // For x ≥ 0 the parts are key and 1 - key; beyond, the key is 1 + |x| / (|x| + y).
  return Math.atan2(key > 1 ? 2 - key : key, 1 - key) * DEGREES;
}

/** Degrees between two rotations of the key of half their angle. */
export function turnDegreesOf(key: number): number {
  return 2 * degreesOf(key);
}

/** Key of the angle between two directions of any length; 0 where one has none. */
export function keyBetween(ax: number, ay: number, az: number, bx: number, by: number, bz: number): number {
  const cx = ay * bz - az * by;
  const cy = az * bx - ax * bz;
  const cz = ax * by - ay * bx;
  const y = Math.sqrt(cx * cx + cy * cy + cz * cz);
  const x = ax * bx + ay * by + az * bz;
  return x === 0 && y === 0 ? 0 : x >= 0 ? y / (x + y) : 1 - x / (y - x);
}

/**
 * Keys of half the angle between one rotation and each of many (`turnDegreesOf`).
 * @param rotations  xyzw, frameCount × 4
 */
export function turnKeys(keys: Float64Array, from: Float64Array, rotations: Float64Array): void {
  const ax = from[0]!;
  const ay = from[1]!;
  const az = from[2]!;
  const aw = from[3]!;
  for (let f = 0, i = 0; f < keys.length; f++, i += 4) {
    const bx = rotations[i]!;
    const by = rotations[i + 1]!;
    const bz = rotations[i + 2]!;
    const bw = rotations[i + 3]!;
    const x = aw * bx - ax * bw - ay * bz + az * by;
    const y = aw * by + ax * bz - ay * bw - az * bx;
    const z = aw * bz - ax * by + ay * bx - az * bw;
    const s = Math.sqrt(x * x + y * y + z * z);
    keys[f] = s / (s + Math.abs(aw * bw + ax * bx + ay * by + az * bz));
  }
}

/** Up to this tangent of half the angle a series of five terms gives the arc to 1e-14. */
const SMALL_TANGENT = 0.05;

/**
 * Adds to `sum` each rotation weighted by one over its angle from `mean` (over `least` where it is smaller), the sign chosen
 * to agree with the mean. With `least` at half a turn all weigh the same.
 */
export function addByCloseness(sum: Float64Array, rotations: Float64Array, mean: Float64Array, least: number): void {
  const mx = mean[0]!;
  const my = mean[1]!;
  const mz = mean[2]!;
  const mw = mean[3]!;
  let sx = 0;
  let sy = 0;
  let sz = 0;
  let sw = 0;
  for (let i = 0; i < rotations.length; i += 4) {
    const x = rotations[i]!;
    const y = rotations[i + 1]!;
    const z = rotations[i + 2]!;
    const w = rotations[i + 3]!;
    const ex = mw * x - mx * w - my * z + mz * y;
    const ey = mw * y + mx * z - my * w - mz * x;
    const ez = mw * z - mx * y + my * x - mz * w;
    const dot = mx * x + my * y + mz * z + mw * w;
    const t = (ex * ex + ey * ey + ez * ez) / (dot * dot);
    const angle =
      t < SMALL_TANGENT * SMALL_TANGENT
        ? 2 * Math.sqrt(t) * (1 - t * (1 / 3 - t * (1 / 5 - t * (1 / 7 - t / 9))))
        : 2 * Math.atan(Math.sqrt(t));
    const weight = (dot < 0 ? -1 : 1) / Math.max(angle, least);
    sx += weight * x;
    sy += weight * y;
    sz += weight * z;
    sw += weight * w;
  }
  sum[0] = sx;
  sum[1] = sy;
  sum[2] = sz;
  sum[3] = sw;
}
