/**
 * Key reduction in linear time with a guaranteed bound: one pass over a channel, O(1) a frame, no look back.
 *
 * The filter draws a line from the last key. After `n` frames the line has to be within the tolerance of the value
 * there, so its velocity lies in a ball of radius tolerance / n about (value − key) / n. The velocities that serve every
 * frame since the key are the intersection of those balls; when it is empty, the frame before becomes a key, with a
 * value from the set. This is the swing filter of Elmeleegy, Elmagarmid, Cecchet, Aref & Zwaenepoel 2009, 'Online
 * piece-wise linear approximation of numerical streams with precision guarantees', PVLDB 2(1), 145–156, taken from
 * intervals to balls. The intersection is replaced by the largest ball inside it and the next ball: exact while the
 * centres lie on a line, as they do for constant acceleration, centre(n) = v + a n / 2.
 *
 * A rotation channel runs through the same filter in rotation vectors seen from the last key, r = log(key⁻¹ · q). Slerp
 * from the key is a straight line there, and exp never lengthens (its derivative has norms 1 and sin(|r|/2) / (|r|/2)),
 * so the angle to the sample is at most |line − r|.
 *
 * Roads not taken, keys a frame (all rotation channels together) at 0.05 degree on a walk of 27 joints at 30 Hz, a walk
 * of 31 at 120 Hz and a fight of 43 at 120 Hz; this filter keeps 20.1, 18.4 and 5.8:
 * - keys are samples, the longest chord that an exact look back allows: 21.0, 20.5, 7.2, and quadratic in the length;
 * - the same ball filter, keys are samples: 21.0, 20.5, 7.0;
 * - the key nearest to the sample instead of the middle of the set: 20.1, 18.3, 5.9.
 */

/** Kept back from the tolerance for Float64 rounding and the series below: a share, and radians or units. */
const GUARD_SHARE = 1e-6;
const GUARD = 2e-10;

/** A line may turn by less than this from its key: |w| of 0.5 is 120 degrees. Below half a turn slerp goes our way. */
const SMALLEST_W = 0.5;

/**
 * Chooses keys so that interpolation between them (lerp, or slerp by the shorter arc) is within `tolerance` of the value
 * at every frame. The first key is the first value; the others may differ from their frame by up to the tolerance.
 * The last frame always has a key. Allocates nothing, throws nothing.
 *
 * @param values     one channel, frameCount × width; with width 4 unit quaternions xyzw, successive ones with dot ≥ 0
 * @param width      3: a vector, tolerance in its unit (Euclidean); 4: a rotation, tolerance in radians
 * @param keyFrames  overwritten: frame of each key, ascending; room for frameCount
 * @param keyValues  overwritten: keyCount × width; room for frameCount × width. Quaternions unit, successive dot ≥ 0
 * @returns the number of keys: 0 without frames, 1 for one frame, else at least 2. Tolerance 0 keeps every frame.
 */
export function reduceKeys(
  values: Float64Array,
  frameCount: number,
  width: 3 | 4,
  tolerance: number,
  keyFrames: Int32Array,
  keyValues: Float64Array,
): number {
  if (frameCount === 0) return 0;
  const isRotation = width === 4;
  const radius = Math.max(0, tolerance * (1 - GUARD_SHARE) - GUARD);
  let kx = values[0]!;
  let ky = values[1]!;
  let kz = values[2]!;
  let kw = isRotation ? values[3]! : 0;
  let keyFrame = 0;
  let keyCount = 1;
  keyFrames[0] = 0;
  keyValues[0] = kx;
  keyValues[1] = ky;
  keyValues[2] = kz;
  if (isRotation) keyValues[3] = kw;

  // The set of velocities that still serve: centre and radius of a ball.
  let cx = 0;
  let cy = 0;
  let cz = 0;
  let ball = 0;
  let f = 1;
  while (f <= frameCount) {
    const n = f - keyFrame;
    let isEmpty = f === frameCount;
    if (!isEmpty) {
      // r: the value as seen from the key.
      const at = f * width;
      let rx = values[at]!;
      let ry = values[at + 1]!;
      let rz = values[at + 2]!;
      if (isRotation) {
        const qw = values[at + 3]!;
        let w = kw * qw + kx * rx + ky * ry + kz * rz;
        const x = kw * rx - kx * qw - ky * rz + kz * ry;
        const y = kw * ry + kx * rz - ky * qw - kz * rx;
        const z = kw * rz - kx * ry + ky * rx - kz * qw;
        const sine2 = x * x + y * y + z * z;
        let k: number;
        if (sine2 < 0.1) {
          // 2 asin(s) / s as a series in s²; the first term left out is under 2e-10 of the whole.
          k =
            2 +
            sine2 *
              (1 / 3 +
                sine2 *
                  (3 / 20 +
                    sine2 *
                      (5 / 56 + sine2 * (35 / 576 + sine2 * (63 / 1408 + sine2 * (231 / 6656 + sine2 * 0.02793))))));
          if (w < 0) {
            k = -k;
            w = -w;
          }
        } else {
          const sine = Math.sqrt(sine2);
          k = (2 * Math.atan2(sine, Math.abs(w))) / sine;
          if (w < 0) {
            k = -k;
            w = -w;
          }
        }
        rx = x * k;
        ry = y * k;
        rz = z * k;
        isEmpty = n > 1 && w < SMALLEST_W;
      } else {
        rx -= kx;
        ry -= ky;
        rz -= kz;
      }
      if (n === 1) {
        cx = rx;
        cy = ry;
        cz = rz;
        ball = radius;
        f++;
        continue;
      }
      if (!isEmpty) {
        const perFrame = 1 / n;
        const dx = rx * perFrame - cx;
        const dy = ry * perFrame - cy;
        const dz = rz * perFrame - cz;
        const next = radius * perFrame;
        const distance = Math.sqrt(dx * dx + dy * dy + dz * dz);
        if (distance < ball + next) {
          // The largest ball inside both: the smaller one where it lies within the other, else the lens between them.
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
            ball = (ball + next - distance) / 2;
          }
          f++;
          continue;
        }
        isEmpty = true;
      }
    }

    // No velocity serves frame f as well: frame f - 1 becomes a key.
    const steps = n - 1;
    if (steps === 0) break; // only behind a key on the last frame
    const at = (f - 1) * width;
    const to = keyCount * width;
    if (steps === 1) {
      kx = values[at]!;
      ky = values[at + 1]!;
      kz = values[at + 2]!;
      if (isRotation) {
        kw = values[at + 3]!;
        // The key before may be a turn by just over half a turn away, where the sample before it was just under.
        const p = to - 4;
        if (kx * keyValues[p]! + ky * keyValues[p + 1]! + kz * keyValues[p + 2]! + kw * keyValues[p + 3]! < 0) {
          kx = -kx;
          ky = -ky;
          kz = -kz;
          kw = -kw;
        }
      }
    } else if (isRotation) {
      // key ← key · exp(steps · c), then one Newton step towards length 1.
      let ex = (cx * steps) / 2;
      let ey = (cy * steps) / 2;
      let ez = (cz * steps) / 2;
      const half2 = ex * ex + ey * ey + ez * ez;
      let ew: number;
      let s: number;
      if (half2 < 0.02) {
        // Series of sin(h) / h and cos(h): the first term left out is under 3e-12.
        s = 1 - (half2 / 6) * (1 - (half2 / 20) * (1 - half2 / 42));
        ew = 1 - (half2 / 2) * (1 - (half2 / 12) * (1 - (half2 / 30) * (1 - half2 / 56)));
      } else {
        const half = Math.sqrt(half2);
        s = Math.sin(half) / half;
        ew = Math.cos(half);
      }
      ex *= s;
      ey *= s;
      ez *= s;
      const x = kw * ex + kx * ew + ky * ez - kz * ey;
      const y = kw * ey - kx * ez + ky * ew + kz * ex;
      const z = kw * ez + kx * ey - ky * ex + kz * ew;
      const w = kw * ew - kx * ex - ky * ey - kz * ez;
      const k = 1.5 - 0.5 * (x * x + y * y + z * z + w * w);
      kx = x * k;
      ky = y * k;
      kz = z * k;
      kw = w * k;
    } else {
      kx += cx * steps;
      ky += cy * steps;
      kz += cz * steps;
    }
    keyFrame = f - 1;
    keyFrames[keyCount++] = keyFrame;
    keyValues[to] = kx;
    keyValues[to + 1] = ky;
    keyValues[to + 2] = kz;
    if (isRotation) keyValues[to + 3] = kw;
    if (f === frameCount) break;
  }
  return keyCount;
}
