/** AssemblyScript: rotations to as few keys as a tolerance allows. See `src/formats/gltf/reduce-keys.ts` for how and why. */
import { copyQuat, setQuat } from './quat.ts';
import { cosineOf, sineOver, turnPerLength } from './turn-series.ts';

/** A line may turn by less than this from its key: |w| of 0.5 is 120 degrees. Below half a turn slerp goes our way. */
const SMALLEST_W: f64 = 0.5;

/**
 * `reduceKeys` for a rotation, whole.
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
  store<i32>(keyFrames, 0);
  copyQuat(keyValues, values);
  let key = keyValues;
  let keyFrame = 0;
  let keyCount = 1;
  let kx = load<f64>(key);
  let ky = load<f64>(key, 8);
  let kz = load<f64>(key, 16);
  let kw = load<f64>(key, 24);
  // The ball of velocities, in rotation vectors a frame, that serve all frames since the key.
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
    const k = turnPerLength(1 - w);
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
    const next = key + 32;
    const steps = f - 1 - keyFrame;
    if (steps === 1) nextToSample(next, key, values + ((<usize>(f - 1)) << 5));
    else turnOn(next, key, cx, cy, cz, steps);
    key = next;
    keyFrame = f - 1;
    store<i32>(keyFrames + ((<usize>keyCount) << 2), keyFrame);
    kx = load<f64>(key);
    ky = load<f64>(key, 8);
    kz = load<f64>(key, 16);
    kw = load<f64>(key, 24);
    if (++keyCount > enough) break;
  }
  return keyCount;
}

/**
 * out = the sample. The key before may be a turn by just over half a turn away, where the sample before it was just under:
 * then it is the negative.
 */
function nextToSample(out: usize, key: usize, sample: usize): void {
  const x = load<f64>(sample);
  const y = load<f64>(sample, 8);
  const z = load<f64>(sample, 16);
  const w = load<f64>(sample, 24);
  const dot = x * load<f64>(key) + y * load<f64>(key, 8) + z * load<f64>(key, 16) + w * load<f64>(key, 24);
  if (dot < 0) setQuat(out, -x, -y, -z, -w);
  else setQuat(out, x, y, z, w);
}

/** out = key · exp(steps · c), then one Newton step towards length 1. */
function turnOn(out: usize, key: usize, cx: f64, cy: f64, cz: f64, steps: i32): void {
  const kx = load<f64>(key);
  const ky = load<f64>(key, 8);
  const kz = load<f64>(key, 16);
  const kw = load<f64>(key, 24);
  const half = <f64>steps / 2;
  const hx = cx * half;
  const hy = cy * half;
  const hz = cz * half;
  const h2 = hx * hx + hy * hy + hz * hz;
  const s = sineOver(h2);
  const ew = cosineOf(h2);
  const ex = hx * s;
  const ey = hy * s;
  const ez = hz * s;
  const nx = kw * ex + kx * ew + ky * ez - kz * ey;
  const ny = kw * ey - kx * ez + ky * ew + kz * ex;
  const nz = kw * ez + kx * ey - ky * ex + kz * ew;
  const nw = kw * ew - kx * ex - ky * ey - kz * ez;
  const unit = 1.5 - 0.5 * (ew * ew + s * s * h2);
  setQuat(out, nx * unit, ny * unit, nz * unit, nw * unit);
}
