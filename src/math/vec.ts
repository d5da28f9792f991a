/** Vector kernels on flat arrays: three numbers from an offset. `out` may be an input unless said otherwise. */

export function copyVec(out: Float64Array, o: number, a: Float64Array, i: number): void {
  out[o] = a[i]!;
  out[o + 1] = a[i + 1]!;
  out[o + 2] = a[i + 2]!;
}

export function setVec(out: Float64Array, o: number, x: number, y: number, z: number): void {
  out[o] = x;
  out[o + 1] = y;
  out[o + 2] = z;
}

export function addVec(out: Float64Array, o: number, a: Float64Array, i: number, b: Float64Array, j: number): void {
  out[o] = a[i]! + b[j]!;
  out[o + 1] = a[i + 1]! + b[j + 1]!;
  out[o + 2] = a[i + 2]! + b[j + 2]!;
}

export function subVec(out: Float64Array, o: number, a: Float64Array, i: number, b: Float64Array, j: number): void {
  out[o] = a[i]! - b[j]!;
  out[o + 1] = a[i + 1]! - b[j + 1]!;
  out[o + 2] = a[i + 2]! - b[j + 2]!;
}

export function scaleVec(out: Float64Array, o: number, a: Float64Array, i: number, k: number): void {
  out[o] = a[i]! * k;
  out[o + 1] = a[i + 1]! * k;
  out[o + 2] = a[i + 2]! * k;
}

/** out = a + t (b - a) */
export function lerpVec(
  out: Float64Array,
  o: number,
  a: Float64Array,
  i: number,
  b: Float64Array,
  j: number,
  t: number,
): void {
  out[o] = a[i]! + t * (b[j]! - a[i]!);
  out[o + 1] = a[i + 1]! + t * (b[j + 1]! - a[i + 1]!);
  out[o + 2] = a[i + 2]! + t * (b[j + 2]! - a[i + 2]!);
}

export function dotVec(a: Float64Array, i: number, b: Float64Array, j: number): number {
  return a[i]! * b[j]! + a[i + 1]! * b[j + 1]! + a[i + 2]! * b[j + 2]!;
}

export function crossVec(out: Float64Array, o: number, a: Float64Array, i: number, b: Float64Array, j: number): void {
  const ax = a[i]!;
  const ay = a[i + 1]!;
  const az = a[i + 2]!;
  const bx = b[j]!;
  const by = b[j + 1]!;
  const bz = b[j + 2]!;
  out[o] = ay * bz - az * by;
  out[o + 1] = az * bx - ax * bz;
  out[o + 2] = ax * by - ay * bx;
}

export function lengthVec(a: Float64Array, i: number): number {
  return Math.sqrt(a[i]! * a[i]! + a[i + 1]! * a[i + 1]! + a[i + 2]! * a[i + 2]!);
}

export function distanceVec(a: Float64Array, i: number, b: Float64Array, j: number): number {
  const x = a[i]! - b[j]!;
  const y = a[i + 1]! - b[j + 1]!;
  const z = a[i + 2]! - b[j + 2]!;
  return Math.sqrt(x * x + y * y + z * z);
}

/** Distance of a point from the segment between two others. */
export function distanceToSegment(
  point: Float64Array,
  p: number,
  from: Float64Array,
  a: number,
  to: Float64Array,
  b: number,
): number {
  const lx = to[b]! - from[a]!;
  const ly = to[b + 1]! - from[a + 1]!;
  const lz = to[b + 2]! - from[a + 2]!;
  const x = point[p]! - from[a]!;
  const y = point[p + 1]! - from[a + 1]!;
  const z = point[p + 2]! - from[a + 2]!;
  const square = lx * lx + ly * ly + lz * lz;
  const t = square > 0 ? Math.max(0, Math.min(1, (x * lx + y * ly + z * lz) / square)) : 0;
  const dx = x - t * lx;
  const dy = y - t * ly;
  const dz = z - t * lz;
  return Math.sqrt(dx * dx + dy * dy + dz * dz);
}

/** Scales to length 1 in place and returns the former length; a zero vector stays zero. */
export function normalizeVec(out: Float64Array, o: number): number {
  const length = lengthVec(out, o);
  if (length > 0) scaleVec(out, o, out, o, 1 / length);
  return length;
}
