/**
 * Quaternion kernels on flat arrays: xyzw, unit, right-handed, active; a · b applies b first.
 *
 * Every function takes an array and the offset of the first of its four numbers, so that the frame loop
 * neither allocates nor copies.
 *
 * The arrays are Float64Array and nothing else, so that the engine compiles each kernel for one kind of array. Where the
 * same process also called them with number[] or Float32Array, retargeting fell from 400,000 to 110,000 frames/s
 * (bundled, Node 20, 2-core Xeon). What is kept in Float32 is copied into Float64 scratch at the edge.
 */

/** out = a */
export function copyQuat(out: Float64Array, o: number, a: Float64Array, i: number): void {
  out[o] = a[i]!;
  out[o + 1] = a[i + 1]!;
  out[o + 2] = a[i + 2]!;
  out[o + 3] = a[i + 3]!;
}

/** out = identity */
export function identityQuat(out: Float64Array, o: number): void {
  out[o] = 0;
  out[o + 1] = 0;
  out[o + 2] = 0;
  out[o + 3] = 1;
}

/** out = a · b (b first, then a). `out` may be either input: all eight numbers are read before any is written. */
export function mulQuat(out: Float64Array, o: number, a: Float64Array, i: number, b: Float64Array, j: number): void {
  const ax = a[i]!;
  const ay = a[i + 1]!;
  const az = a[i + 2]!;
  const aw = a[i + 3]!;
  const bx = b[j]!;
  const by = b[j + 1]!;
  const bz = b[j + 2]!;
  const bw = b[j + 3]!;
  out[o] = aw * bx + ax * bw + ay * bz - az * by;
  out[o + 1] = aw * by - ax * bz + ay * bw + az * bx;
  out[o + 2] = aw * bz + ax * by - ay * bx + az * bw;
  out[o + 3] = aw * bw - ax * bx - ay * by - az * bz;
}

/** out = a⁻¹ · b: the rotation b as seen from the frame a. `out` may be either input. */
export function mulInverseQuat(
  out: Float64Array,
  o: number,
  a: Float64Array,
  i: number,
  b: Float64Array,
  j: number,
): void {
  const ax = -a[i]!;
  const ay = -a[i + 1]!;
  const az = -a[i + 2]!;
  const aw = a[i + 3]!;
  const bx = b[j]!;
  const by = b[j + 1]!;
  const bz = b[j + 2]!;
  const bw = b[j + 3]!;
  out[o] = aw * bx + ax * bw + ay * bz - az * by;
  out[o + 1] = aw * by - ax * bz + ay * bw + az * bx;
  out[o + 2] = aw * bz + ax * by - ay * bx + az * bw;
  out[o + 3] = aw * bw - ax * bx - ay * by - az * bz;
}

/** out = a⁻¹ (the conjugate, as a is unit). */
export function invertQuat(out: Float64Array, o: number, a: Float64Array, i: number): void {
  out[o] = -a[i]!;
  out[o + 1] = -a[i + 1]!;
  out[o + 2] = -a[i + 2]!;
  out[o + 3] = a[i + 3]!;
}

/** Scales the quaternion at `o` to length 1; a zero quaternion becomes the identity. */
export function normalizeQuat(out: Float64Array, o: number): void {
  const x = out[o]!;
  const y = out[o + 1]!;
  const z = out[o + 2]!;
  const w = out[o + 3]!;
  const length = Math.sqrt(x * x + y * y + z * z + w * w);
  if (length === 0) {
    identityQuat(out, o);
    return;
  }
  const k = 1 / length;
  out[o] = x * k;
  out[o + 1] = y * k;
  out[o + 2] = z * k;
  out[o + 3] = w * k;
}

/** out = q v q⁻¹: the vector at `j` turned by the quaternion at `i`. `out` may be `v`. */
export function rotateVec(out: Float64Array, o: number, q: Float64Array, i: number, v: Float64Array, j: number): void {
  const qx = q[i]!;
  const qy = q[i + 1]!;
  const qz = q[i + 2]!;
  const qw = q[i + 3]!;
  const x = v[j]!;
  const y = v[j + 1]!;
  const z = v[j + 2]!;
  // v + 2 q × (q × v + w v), with u the imaginary part of q
  const tx = 2 * (qy * z - qz * y);
  const ty = 2 * (qz * x - qx * z);
  const tz = 2 * (qx * y - qy * x);
  out[o] = x + qw * tx + qy * tz - qz * ty;
  out[o + 1] = y + qw * ty + qz * tx - qx * tz;
  out[o + 2] = z + qw * tz + qx * ty - qy * tx;
}

/** out = base + q v q⁻¹: where a point fixed to a joint is, from the joint's rotation and place. `out` may be any input. */
export function rotateAddVec(
  out: Float64Array,
  o: number,
  q: Float64Array,
  i: number,
  v: Float64Array,
  j: number,
  base: Float64Array,
  b: number,
): void {
  const qx = q[i]!;
  const qy = q[i + 1]!;
  const qz = q[i + 2]!;
  const qw = q[i + 3]!;
  const x = v[j]!;
  const y = v[j + 1]!;
  const z = v[j + 2]!;
  const tx = 2 * (qy * z - qz * y);
  const ty = 2 * (qz * x - qx * z);
  const tz = 2 * (qx * y - qy * x);
  const bx = base[b]!;
  const by = base[b + 1]!;
  const bz = base[b + 2]!;
  out[o] = x + qw * tx + qy * tz - qz * ty + bx;
  out[o + 1] = y + qw * ty + qz * tx - qx * tz + by;
  out[o + 2] = z + qw * tz + qx * ty - qy * tx + bz;
}

/** out = q v q⁻¹ with the vector given by its three numbers. */
export function rotateXyz(
  out: Float64Array,
  o: number,
  q: Float64Array,
  i: number,
  x: number,
  y: number,
  z: number,
): void {
  const qx = q[i]!;
  const qy = q[i + 1]!;
  const qz = q[i + 2]!;
  const qw = q[i + 3]!;
  const tx = 2 * (qy * z - qz * y);
  const ty = 2 * (qz * x - qx * z);
  const tz = 2 * (qx * y - qy * x);
  out[o] = x + qw * tx + qy * tz - qz * ty;
  out[o + 1] = y + qw * ty + qz * tx - qx * tz;
  out[o + 2] = z + qw * tz + qx * ty - qy * tx;
}

/** out = q⁻¹ v q: a world vector as seen from the frame q. `out` may be `v`. */
export function rotateVecInverse(
  out: Float64Array,
  o: number,
  q: Float64Array,
  i: number,
  v: Float64Array,
  j: number,
): void {
  const qx = -q[i]!;
  const qy = -q[i + 1]!;
  const qz = -q[i + 2]!;
  const qw = q[i + 3]!;
  const x = v[j]!;
  const y = v[j + 1]!;
  const z = v[j + 2]!;
  const tx = 2 * (qy * z - qz * y);
  const ty = 2 * (qz * x - qx * z);
  const tz = 2 * (qx * y - qy * x);
  out[o] = x + qw * tx + qy * tz - qz * ty;
  out[o + 1] = y + qw * ty + qz * tx - qx * tz;
  out[o + 2] = z + qw * tz + qx * ty - qy * tx;
}

/** out = rotation by `angle` about the unit axis (x, y, z). */
export function axisAngleQuat(out: Float64Array, o: number, x: number, y: number, z: number, angle: number): void {
  const s = Math.sin(angle / 2);
  out[o] = x * s;
  out[o + 1] = y * s;
  out[o + 2] = z * s;
  out[o + 3] = Math.cos(angle / 2);
}

/**
 * out = the shortest rotation that takes the direction at `a[i]` to the direction at `b[j]` (any lengths).
 * Opposite vectors: a half turn about some axis at right angles to `a`, since no shortest one is singled out.
 * A zero vector gives the identity.
 */
export function rotationBetween(
  out: Float64Array,
  o: number,
  a: Float64Array,
  i: number,
  b: Float64Array,
  j: number,
): void {
  const ax = a[i]!;
  const ay = a[i + 1]!;
  const az = a[i + 2]!;
  const bx = b[j]!;
  const by = b[j + 1]!;
  const bz = b[j + 2]!;
  const lengths = Math.sqrt((ax * ax + ay * ay + az * az) * (bx * bx + by * by + bz * bz));
  if (lengths === 0) {
    identityQuat(out, o);
    return;
  }
  const w = lengths + ax * bx + ay * by + az * bz;
  // Nearer than 5e-8 rad to opposite the axis drowns in rounding; up to there the result is good to 1e-8 rad.
  if (w < 1e-15 * lengths) {
    // Half turn about a × the axis of the smallest component of a.
    const useX = Math.abs(ax) <= Math.abs(ay) && Math.abs(ax) <= Math.abs(az);
    const useY = !useX && Math.abs(ay) <= Math.abs(az);
    out[o] = useX ? 0 : useY ? -az : ay;
    out[o + 1] = useX ? az : useY ? 0 : -ax;
    out[o + 2] = useX ? -ay : useY ? ax : 0;
    out[o + 3] = 0;
  } else {
    out[o] = ay * bz - az * by;
    out[o + 1] = az * bx - ax * bz;
    out[o + 2] = ax * by - ay * bx;
    out[o + 3] = w;
  }
  normalizeQuat(out, o);
}

const share = new Float64Array(1);

/** out = spherical interpolation from a (t = 0) to b (t = 1) along the shorter arc. `out` may be either input. */
export function slerpQuat(
  out: Float64Array,
  o: number,
  a: Float64Array,
  i: number,
  b: Float64Array,
  j: number,
  t: number,
): void {
  share[0] = t;
  slerpQuatBy(out, o, a, i, b, j, share, 0);
}

/** The same with t at `shares[k]`. For the frame loop: a number that is handed to a call that is not inlined is boxed. */
export function slerpQuatBy(
  out: Float64Array,
  o: number,
  a: Float64Array,
  i: number,
  b: Float64Array,
  j: number,
  shares: Float64Array,
  k: number,
): void {
  const t = shares[k]!;
  const ax = a[i]!;
  const ay = a[i + 1]!;
  const az = a[i + 2]!;
  const aw = a[i + 3]!;
  let bx = b[j]!;
  let by = b[j + 1]!;
  let bz = b[j + 2]!;
  let bw = b[j + 3]!;
  let cos = ax * bx + ay * by + az * bz + aw * bw;
  if (cos < 0) {
    cos = -cos;
    bx = -bx;
    by = -by;
    bz = -bz;
    bw = -bw;
  }
  let ka = 1 - t;
  let kb = t;
  // Below 0.5 mrad the chord and the arc agree to Float64 rounding, and the sine would divide by nearly nothing.
  if (cos < 1 - 1e-7) {
    // sin((1 − t) θ) / sin θ = cos tθ − cos θ · sin tθ / sin θ
    const angle = t * Math.acos(cos);
    kb = Math.sin(angle) / Math.sqrt((1 - cos) * (1 + cos));
    ka = Math.cos(angle) - cos * kb;
  }
  out[o] = ka * ax + kb * bx;
  out[o + 1] = ka * ay + kb * by;
  out[o + 2] = ka * az + kb * bz;
  out[o + 3] = ka * aw + kb * bw;
  normalizeQuat(out, o);
}

/**
 * Angle in radians, 0 to π, between two rotations: 2 · atan2(|xyz|, |w|) of the relative one.
 * By `acos` a rotation would differ from its own Float32 copy by up to 0.036 degree.
 * It judges results and is no part of the frame loop, so it takes any array.
 */
export function angleBetweenQuats(a: ArrayLike<number>, i: number, b: ArrayLike<number>, j: number): number {
  const ax = -a[i]!;
  const ay = -a[i + 1]!;
  const az = -a[i + 2]!;
  const aw = a[i + 3]!;
  const bx = b[j]!;
  const by = b[j + 1]!;
  const bz = b[j + 2]!;
  const bw = b[j + 3]!;
  const x = aw * bx + ax * bw + ay * bz - az * by;
  const y = aw * by - ax * bz + ay * bw + az * bx;
  const z = aw * bz + ax * by - ay * bx + az * bw;
  const w = aw * bw - ax * bx - ay * by - az * bz;
  return 2 * Math.atan2(Math.sqrt(x * x + y * y + z * z), Math.abs(w));
}

/**
 * Splits the rotation at `q[i]` into swing · twist, twist about the unit axis (x, y, z) (Dobrowolski 2015,
 * arXiv:1506.05481): writes the twist to `out` and returns its signed angle in (-π, π]. The swing is q · twist⁻¹.
 * A half turn about an axis at right angles to the given one has no twist: the identity is written and 0 returned.
 */
export function twistOf(
  out: Float64Array,
  o: number,
  q: Float64Array,
  i: number,
  x: number,
  y: number,
  z: number,
): number {
  const along = q[i]! * x + q[i + 1]! * y + q[i + 2]! * z;
  const w = q[i + 3]!;
  if (along * along + w * w < 1e-18) {
    identityQuat(out, o);
    return 0;
  }
  out[o] = along * x;
  out[o + 1] = along * y;
  out[o + 2] = along * z;
  out[o + 3] = w;
  normalizeQuat(out, o);
  return 2 * Math.atan2(w < 0 ? -along : along, Math.abs(w));
}

/**
 * out = the rotation whose columns are the given axes, from two directions: `y` exactly along the vector at `a[i]`,
 * `z` as near as possible to the one at `b[j]`, x = y × z.
 * Throws nothing: parallel directions take any z at right angles to y.
 */
export function quatFromAxes(
  out: Float64Array,
  o: number,
  a: Float64Array,
  i: number,
  b: Float64Array,
  j: number,
): void {
  let yx = a[i]!;
  let yy = a[i + 1]!;
  let yz = a[i + 2]!;
  const yl = Math.hypot(yx, yy, yz) || 1;
  yx /= yl;
  yy /= yl;
  yz /= yl;
  let zx = b[j]!;
  let zy = b[j + 1]!;
  let zz = b[j + 2]!;
  let along = zx * yx + zy * yy + zz * yz;
  zx -= along * yx;
  zy -= along * yy;
  zz -= along * yz;
  let zl = Math.hypot(zx, zy, zz);
  if (zl < 1e-9 * Math.hypot(b[j]!, b[j + 1]!, b[j + 2]!) || zl === 0) {
    const smallest =
      Math.abs(yx) <= Math.abs(yy) && Math.abs(yx) <= Math.abs(yz) ? 0 : Math.abs(yy) <= Math.abs(yz) ? 1 : 2;
    zx = smallest === 0 ? 1 : 0;
    zy = smallest === 1 ? 1 : 0;
    zz = smallest === 2 ? 1 : 0;
    along = zx * yx + zy * yy + zz * yz;
    zx -= along * yx;
    zy -= along * yy;
    zz -= along * yz;
    zl = Math.hypot(zx, zy, zz);
  }
  zx /= zl;
  zy /= zl;
  zz /= zl;
  const xx = yy * zz - yz * zy;
  const xy = yz * zx - yx * zz;
  const xz = yx * zy - yy * zx;
  quatFromMatrix(out, o, xx, xy, xz, yx, yy, yz, zx, zy, zz);
}

/**
 * out = quaternion of the rotation matrix with columns x, y, z (Shepperd 1978: divides by the largest of four).
 */
export function quatFromMatrix(
  out: Float64Array,
  o: number,
  xx: number,
  xy: number,
  xz: number,
  yx: number,
  yy: number,
  yz: number,
  zx: number,
  zy: number,
  zz: number,
): void {
  const trace = xx + yy + zz;
  if (trace > 0) {
    const s = 2 * Math.sqrt(1 + trace);
    out[o] = (yz - zy) / s;
    out[o + 1] = (zx - xz) / s;
    out[o + 2] = (xy - yx) / s;
    out[o + 3] = s / 4;
  } else if (xx >= yy && xx >= zz) {
    const s = 2 * Math.sqrt(1 + xx - yy - zz);
    out[o] = s / 4;
    out[o + 1] = (xy + yx) / s;
    out[o + 2] = (xz + zx) / s;
    out[o + 3] = (yz - zy) / s;
  } else if (yy >= zz) {
    const s = 2 * Math.sqrt(1 - xx + yy - zz);
    out[o] = (xy + yx) / s;
    out[o + 1] = s / 4;
    out[o + 2] = (yz + zy) / s;
    out[o + 3] = (zx - xz) / s;
  } else {
    const s = 2 * Math.sqrt(1 - xx - yy + zz);
    out[o] = (xz + zx) / s;
    out[o + 1] = (yz + zy) / s;
    out[o + 2] = s / 4;
    out[o + 3] = (xy - yx) / s;
  }
  normalizeQuat(out, o);
}
