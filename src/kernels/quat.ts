/**
 * AssemblyScript: quaternions (xyzw, 4 Float64) and vectors (3 Float64) at addresses. The same arithmetic in the same order
 * as `src/math/quat.ts` and `src/math/vec.ts`. `out` may be an input everywhere.
 */
import { acos, cos, sin } from './host-math.ts';

/** out = a */
export function copyQuat(out: usize, a: usize): void {
  store<f64>(out, load<f64>(a));
  store<f64>(out, load<f64>(a, 8), 8);
  store<f64>(out, load<f64>(a, 16), 16);
  store<f64>(out, load<f64>(a, 24), 24);
}

export function setQuat(out: usize, x: f64, y: f64, z: f64, w: f64): void {
  store<f64>(out, x);
  store<f64>(out, y, 8);
  store<f64>(out, z, 16);
  store<f64>(out, w, 24);
}

/** out = a · b */
export function mulQuat(out: usize, a: usize, b: usize): void {
  const ax = load<f64>(a);
  const ay = load<f64>(a, 8);
  const az = load<f64>(a, 16);
  const aw = load<f64>(a, 24);
  const bx = load<f64>(b);
  const by = load<f64>(b, 8);
  const bz = load<f64>(b, 16);
  const bw = load<f64>(b, 24);
  store<f64>(out, aw * bx + ax * bw + ay * bz - az * by);
  store<f64>(out, aw * by - ax * bz + ay * bw + az * bx, 8);
  store<f64>(out, aw * bz + ax * by - ay * bx + az * bw, 16);
  store<f64>(out, aw * bw - ax * bx - ay * by - az * bz, 24);
}

/** out = a⁻¹ · b */
export function mulInverseQuat(out: usize, a: usize, b: usize): void {
  const ax = -load<f64>(a);
  const ay = -load<f64>(a, 8);
  const az = -load<f64>(a, 16);
  const aw = load<f64>(a, 24);
  const bx = load<f64>(b);
  const by = load<f64>(b, 8);
  const bz = load<f64>(b, 16);
  const bw = load<f64>(b, 24);
  store<f64>(out, aw * bx + ax * bw + ay * bz - az * by);
  store<f64>(out, aw * by - ax * bz + ay * bw + az * bx, 8);
  store<f64>(out, aw * bz + ax * by - ay * bx + az * bw, 16);
  store<f64>(out, aw * bw - ax * bx - ay * by - az * bz, 24);
}

/** Scales the quaternion to length 1; a zero quaternion becomes the identity. */
export function normalizeQuat(out: usize): void {
  const x = load<f64>(out);
  const y = load<f64>(out, 8);
  const z = load<f64>(out, 16);
  const w = load<f64>(out, 24);
  const length = sqrt(x * x + y * y + z * z + w * w);
  if (length === 0) {
    setQuat(out, 0, 0, 0, 1);
    return;
  }
  const k = 1 / length;
  setQuat(out, x * k, y * k, z * k, w * k);
}

/** out = q v q⁻¹ */
export function rotateVec(out: usize, q: usize, v: usize): void {
  const qx = load<f64>(q);
  const qy = load<f64>(q, 8);
  const qz = load<f64>(q, 16);
  const qw = load<f64>(q, 24);
  const x = load<f64>(v);
  const y = load<f64>(v, 8);
  const z = load<f64>(v, 16);
  const tx = 2 * (qy * z - qz * y);
  const ty = 2 * (qz * x - qx * z);
  const tz = 2 * (qx * y - qy * x);
  store<f64>(out, x + qw * tx + qy * tz - qz * ty);
  store<f64>(out, y + qw * ty + qz * tx - qx * tz, 8);
  store<f64>(out, z + qw * tz + qx * ty - qy * tx, 16);
}

/** out = q⁻¹ v q */
export function rotateVecInverse(out: usize, q: usize, v: usize): void {
  const qx = -load<f64>(q);
  const qy = -load<f64>(q, 8);
  const qz = -load<f64>(q, 16);
  const qw = load<f64>(q, 24);
  const x = load<f64>(v);
  const y = load<f64>(v, 8);
  const z = load<f64>(v, 16);
  const tx = 2 * (qy * z - qz * y);
  const ty = 2 * (qz * x - qx * z);
  const tz = 2 * (qx * y - qy * x);
  store<f64>(out, x + qw * tx + qy * tz - qz * ty);
  store<f64>(out, y + qw * ty + qz * tx - qx * tz, 8);
  store<f64>(out, z + qw * tz + qx * ty - qy * tx, 16);
}

/** out = base + q v q⁻¹ */
export function rotateAddVec(out: usize, q: usize, v: usize, base: usize): void {
  const qx = load<f64>(q);
  const qy = load<f64>(q, 8);
  const qz = load<f64>(q, 16);
  const qw = load<f64>(q, 24);
  const x = load<f64>(v);
  const y = load<f64>(v, 8);
  const z = load<f64>(v, 16);
  const tx = 2 * (qy * z - qz * y);
  const ty = 2 * (qz * x - qx * z);
  const tz = 2 * (qx * y - qy * x);
  const bx = load<f64>(base);
  const by = load<f64>(base, 8);
  const bz = load<f64>(base, 16);
  store<f64>(out, x + qw * tx + qy * tz - qz * ty + bx);
  store<f64>(out, y + qw * ty + qz * tx - qx * tz + by, 8);
  store<f64>(out, z + qw * tz + qx * ty - qy * tx + bz, 16);
}

/** out = the shortest rotation that takes the direction of a to that of b; see `rotationBetween` of src/math/quat.ts. */
export function rotationBetween(out: usize, a: usize, b: usize): void {
  const ax = load<f64>(a);
  const ay = load<f64>(a, 8);
  const az = load<f64>(a, 16);
  const bx = load<f64>(b);
  const by = load<f64>(b, 8);
  const bz = load<f64>(b, 16);
  const lengths = sqrt((ax * ax + ay * ay + az * az) * (bx * bx + by * by + bz * bz));
  if (lengths === 0) {
    setQuat(out, 0, 0, 0, 1);
    return;
  }
  const w = lengths + ax * bx + ay * by + az * bz;
  if (w < 1e-15 * lengths) {
    const useX = abs(ax) <= abs(ay) && abs(ax) <= abs(az);
    const useY = !useX && abs(ay) <= abs(az);
    setQuat(out, useX ? 0 : useY ? -az : ay, useX ? az : useY ? 0 : -ax, useX ? -ay : useY ? ax : 0, 0);
  } else {
    setQuat(out, ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx, w);
  }
  normalizeQuat(out);
}

export function copyVec(out: usize, a: usize): void {
  store<f64>(out, load<f64>(a));
  store<f64>(out, load<f64>(a, 8), 8);
  store<f64>(out, load<f64>(a, 16), 16);
}

export function setVec(out: usize, x: f64, y: f64, z: f64): void {
  store<f64>(out, x);
  store<f64>(out, y, 8);
  store<f64>(out, z, 16);
}

/** out = a - b */
export function subVec(out: usize, a: usize, b: usize): void {
  store<f64>(out, load<f64>(a) - load<f64>(b));
  store<f64>(out, load<f64>(a, 8) - load<f64>(b, 8), 8);
  store<f64>(out, load<f64>(a, 16) - load<f64>(b, 16), 16);
}

/** out = spherical interpolation from a (t = 0) to b (t = 1) along the shorter arc; see `slerpQuatBy` of src/math/quat.ts. */
export function slerpQuat(out: usize, a: usize, b: usize, t: f64): void {
  const ax = load<f64>(a);
  const ay = load<f64>(a, 8);
  const az = load<f64>(a, 16);
  const aw = load<f64>(a, 24);
  let bx = load<f64>(b);
  let by = load<f64>(b, 8);
  let bz = load<f64>(b, 16);
  let bw = load<f64>(b, 24);
  let cosine = ax * bx + ay * by + az * bz + aw * bw;
  if (cosine < 0) {
    cosine = -cosine;
    bx = -bx;
    by = -by;
    bz = -bz;
    bw = -bw;
  }
  let ka = 1 - t;
  let kb = t;
  if (cosine < 1 - 1e-7) {
    const angle = t * acos(cosine);
    kb = sin(angle) / sqrt((1 - cosine) * (1 + cosine));
    ka = cos(angle) - cosine * kb;
  }
  setQuat(out, ka * ax + kb * bx, ka * ay + kb * by, ka * az + kb * bz, ka * aw + kb * bw);
  normalizeQuat(out);
}
