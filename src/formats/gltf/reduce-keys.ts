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
 *
 * Time a frame and moving channel, cmu_walk and figure8_walk at 49 joints (every second frame becomes a key: what counts
 * is the time from a sample to the decision, since the processor guesses that wrong):
 * - asin and sin as nested series, atan2, sin and cos for large angles, root before the decision: 44 and 70 ns;
 * - both as polynomials in pairs without a second way, root behind the decision: 33 and 30 ns;
 * - one call a key: 38 ns, since the line is handed over through memory;
 * - a shorter series for small angles, so that the decision comes sooner: 8 to 13 % less in WebAssembly;
 * - the same in WebAssembly, which now does the work for rotations (`key-kernel.ts`): six tenths of the time.
 */

/** Kept back from the tolerance for Float64 rounding and the series below: a share, and radians or units. */
const GUARD_SHARE = 1e-6;
const GUARD = 2e-10;

/**
 * Frames a call of the inner loop. A loop over whole channels grows hot in its first call, before the compiler has seen
 * what stands in front of the loop run twice; in some processes it then stayed at half the speed for good.
 */
const STRETCH = 64;

/** A line may turn by less than this from its key: |w| of 0.5 is 120 degrees. Below half a turn slerp goes our way. */
const SMALLEST_W = 0.5;

/**
 * 2 acos(w) / sqrt(1 - w²), what turns xyz of a unit quaternion into its rotation vector, as a polynomial in 1 - w through
 * nine Chebyshev points of 0 … 0.5: off by at most 2.9e-11 of the value there (at 2001 points, 50 digits).
 */
const L0 = 2.000000000054088;
const L1 = 0.6666666491680934;
const L2 = 0.26666759292940845;
const L3 = 0.11426696637028401;
const L4 = 0.050982073886356;
const L5 = 0.02203768424404385;
const L6 = 0.01402425519231971;
const L7 = -0.0010724261012894862;
const L8 = 0.00761617034321653;

/**
 * The same below 10 degrees, where nearly all lines end, by its series in u = 1 - w: 2 + 2/3 u + 4/15 u² + 4/35 u³. The
 * next term, 16/315 u⁴, is 7e-12 of the value at most.
 */
const SMALL_U = 0.004;
const T1 = 2 / 3;
const T2 = 4 / 15;
const T3 = 4 / 35;

/** Inverse factorials: sin(h) / h = 1 - S1 h² + S2 h⁴ - …, cos(h) = 1 - C1 h² + C2 h⁴ - … */
const S1 = 1 / 6;
const S2 = 1 / 120;
const S3 = 1 / 5040;
const S4 = 1 / 362880;
const S5 = 1 / 39916800;
const S6 = 1 / 6227020800;
const S7 = 1 / 1307674368000;
const C1 = 1 / 2;
const C2 = 1 / 24;
const C3 = 1 / 720;
const C4 = 1 / 40320;
const C5 = 1 / 3628800;
const C6 = 1 / 479001600;
const C7 = 1 / 87178291200;

/**
 * Chooses keys so that interpolation between them (lerp, or slerp by the shorter arc) is within `tolerance` of the value
 * at every frame. The first key is the first value; the others may differ from their frame by up to the tolerance.
 * The last frame always has a key. Allocates nothing, throws nothing.
 *
 * @param values     one channel, frameCount × width; with width 4 unit quaternions xyzw, successive ones with dot ≥ 0
 * @param width      3: a vector, tolerance in its unit (Euclidean); 4: a rotation, tolerance in radians
 * @param keyFrames  overwritten: frame of each key, ascending; room for frameCount
 * @param keyValues  overwritten: keyCount × width; room for frameCount × width. Quaternions unit, successive dot ≥ 0
 * @param enough     gives up once there are more keys than this, and returns `enough + 1`
 * @returns the number of keys: 0 without frames, 1 for one frame, else at least 2. Tolerance 0 keeps every frame.
 */
export function reduceKeys(
  values: Float64Array,
  frameCount: number,
  width: 3 | 4,
  tolerance: number,
  keyFrames: Int32Array,
  keyValues: Float64Array,
  enough = frameCount,
): number {
  if (frameCount === 0) return 0;
  const radius = reductionRadius(tolerance);
  keyFrames[0] = 0;
  for (let k = 0; k < width; k++) keyValues[k] = values[k]!;
  let keyCount = 1;
  for (let f = 1; f < frameCount && keyCount <= enough; f += STRETCH) {
    keyCount = addKeys(values, f, frameCount, width, radius, keyFrames, keyValues, keyCount);
  }
  return Math.min(keyCount, enough + 1);
}

/** How far a line may stay from the values, so that what plays is within the tolerance. */
export function reductionRadius(tolerance: number): number {
  return Math.max(0, tolerance * (1 - GUARD_SHARE) - GUARD);
}

/**
 * Reads up to `STRETCH` frames from `start` on and adds the keys that they call for; `line` holds what is known of the
 * line that goes on behind them. Returns the number of keys.
 */
function addKeys(
  values: Float64Array,
  start: number,
  frameCount: number,
  width: 3 | 4,
  radius: number,
  keyFrames: Int32Array,
  keyValues: Float64Array,
  keysBefore: number,
): number {
  const isRotation = width === 4;
  const end = Math.min(start + STRETCH, frameCount);
  let keyCount = keysBefore;
  let keyFrame = keyFrames[keyCount - 1]!;
  const key = (keyCount - 1) * width;
  let kx = keyValues[key]!;
  let ky = keyValues[key + 1]!;
  let kz = keyValues[key + 2]!;
  let kw = isRotation ? keyValues[key + 3]! : 0;
  // The set of velocities that still serve: centre and radius of a ball.
  let cx = line[0]!;
  let cy = line[1]!;
  let cz = line[2]!;
  let ball = line[3]!;
  let f = start;
  while (f < end) {
    const n = f - keyFrame;
    // r: the value as seen from the key.
    const at = f * width;
    let rx = values[at]!;
    let ry = values[at + 1]!;
    let rz = values[at + 2]!;
    let isInReach = true;
    if (isRotation) {
      const qw = values[at + 3]!;
      const dot = kw * qw + kx * rx + ky * ry + kz * rz;
      const x = kw * rx - kx * qw - ky * rz + kz * ry;
      const y = kw * ry + kx * rz - ky * qw - kz * rx;
      const z = kw * rz - kx * ry + ky * rx - kz * qw;
      const w = dot < 0 ? -dot : dot;
      isInReach = w > SMALLEST_W;
      // 2 acos(w) / sqrt(1 - w²); in pairs, so that the processor works on several at once.
      const u = 1 - w;
      const u2 = u * u;
      const u4 = u2 * u2;
      const k =
        u < SMALL_U
          ? 2 + T1 * u + (T2 + T3 * u) * u2
          : L0 + L1 * u + (L2 + L3 * u) * u2 + (L4 + L5 * u + (L6 + L7 * u) * u2) * u4 + L8 * (u4 * u4);
      const signed = dot < 0 ? -k : k;
      rx = x * signed;
      ry = y * signed;
      rz = z * signed;
    } else {
      rx -= kx;
      ry -= ky;
      rz -= kz;
    }
    if (n === 1) {
      // A line of one frame ends on the sample itself and serves it always.
      cx = rx;
      cy = ry;
      cz = rz;
      ball = radius;
      f++;
      if (isInReach && f < frameCount) continue;
    } else if (isInReach) {
      const perFrame = 1 / n;
      const dx = rx * perFrame - cx;
      const dy = ry * perFrame - cy;
      const dz = rz * perFrame - cz;
      const next = radius * perFrame;
      const squared = dx * dx + dy * dy + dz * dz;
      const reach = ball + next;
      if (squared < reach * reach) {
        // The largest ball inside both: the smaller one where it lies within the other, else the lens between them.
        const distance = Math.sqrt(squared);
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
    const to = keyCount * width;
    if (steps === 1) {
      const from = (f - 1) * width;
      const x = values[from]!;
      const y = values[from + 1]!;
      const z = values[from + 2]!;
      const w = isRotation ? values[from + 3]! : 0;
      // The key before may be a turn by just over half a turn away, where the sample before it was just under.
      const isFar = isRotation && x * kx + y * ky + z * kz + w * kw < 0;
      kx = isFar ? -x : x;
      ky = isFar ? -y : y;
      kz = isFar ? -z : z;
      kw = isFar ? -w : w;
    } else if (isRotation) {
      // key ← key · exp(steps · c), then one Newton step towards length 1.
      const half = steps / 2;
      const hx = cx * half;
      const hy = cy * half;
      const hz = cz * half;
      const h2 = hx * hx + hy * hy + hz * hz;
      const h4 = h2 * h2;
      const h8 = h4 * h4;
      // Series of sin(h) / h and cos(h), good to 2e-12 up to the 120 degrees that a line may turn.
      const s = 1 - S1 * h2 + (S2 - S3 * h2) * h4 + (S4 - S5 * h2 + (S6 - S7 * h2) * h4) * h8;
      const ew = 1 - C1 * h2 + (C2 - C3 * h2) * h4 + (C4 - C5 * h2 + (C6 - C7 * h2) * h4) * h8;
      const ex = hx * s;
      const ey = hy * s;
      const ez = hz * s;
      const x = kw * ex + kx * ew + ky * ez - kz * ey;
      const y = kw * ey - kx * ez + ky * ew + kz * ex;
      const z = kw * ez + kx * ey - ky * ex + kz * ew;
      const w = kw * ew - kx * ex - ky * ey - kz * ez;
      const k = 1.5 - 0.5 * (ew * ew + s * s * h2);
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
  }
  line[0] = cx;
  line[1] = cy;
  line[2] = cz;
  line[3] = ball;
  return keyCount;
}

/** Centre and radius of the velocities that still serve, from one stretch to the next. */
const line = new Float64Array(4);
