/** Affine kernels on flat arrays: 3 × 4, row-major, from an offset; the missing fourth row is 0 0 0 1. */

/** out = identity */
export function identityAffine(out: Float64Array, o: number): void {
  for (let k = 0; k < 12; k++) out[o + k] = k % 5 === 0 ? 1 : 0;
}

/** out = a · b (b first). `out` may be neither input. */
export function mulAffine(out: Float64Array, o: number, a: Float64Array, i: number, b: Float64Array, j: number): void {
  for (let row = 0; row < 12; row += 4) {
    const x = a[i + row]!;
    const y = a[i + row + 1]!;
    const z = a[i + row + 2]!;
    for (let column = 0; column < 4; column++) {
      out[o + row + column] = x * b[j + column]! + y * b[j + 4 + column]! + z * b[j + 8 + column]!;
    }
    out[o + row + 3]! += a[i + row + 3]!;
  }
}

/**
 * out = a⁻¹. `out` may not be the input.
 * @returns the determinant; where it is 0 there is no inverse and zeros are written
 */
export function invertAffine(out: Float64Array, o: number, a: Float64Array, i: number): number {
  const a00 = a[i]!;
  const a01 = a[i + 1]!;
  const a02 = a[i + 2]!;
  const a10 = a[i + 4]!;
  const a11 = a[i + 5]!;
  const a12 = a[i + 6]!;
  const a20 = a[i + 8]!;
  const a21 = a[i + 9]!;
  const a22 = a[i + 10]!;
  const c00 = a11 * a22 - a12 * a21;
  const c10 = a12 * a20 - a10 * a22;
  const c20 = a10 * a21 - a11 * a20;
  const determinant = a00 * c00 + a01 * c10 + a02 * c20;
  const k = determinant === 0 ? 0 : 1 / determinant;
  out[o] = c00 * k;
  out[o + 1] = (a02 * a21 - a01 * a22) * k;
  out[o + 2] = (a01 * a12 - a02 * a11) * k;
  out[o + 4] = c10 * k;
  out[o + 5] = (a00 * a22 - a02 * a20) * k;
  out[o + 6] = (a02 * a10 - a00 * a12) * k;
  out[o + 8] = c20 * k;
  out[o + 9] = (a01 * a20 - a00 * a21) * k;
  out[o + 10] = (a00 * a11 - a01 * a10) * k;
  for (let row = 0; row < 12; row += 4) {
    out[o + row + 3] = -(out[o + row]! * a[i + 3]! + out[o + row + 1]! * a[i + 7]! + out[o + row + 2]! * a[i + 11]!);
  }
  return determinant;
}

/** out = a · v, the point at `v[j]`. `out` may be `v`. */
export function transformPoint(
  out: Float64Array,
  o: number,
  a: Float64Array,
  i: number,
  v: Float64Array,
  j: number,
): void {
  const x = v[j]!;
  const y = v[j + 1]!;
  const z = v[j + 2]!;
  out[o] = a[i]! * x + a[i + 1]! * y + a[i + 2]! * z + a[i + 3]!;
  out[o + 1] = a[i + 4]! * x + a[i + 5]! * y + a[i + 6]! * z + a[i + 7]!;
  out[o + 2] = a[i + 8]! * x + a[i + 9]! * y + a[i + 10]! * z + a[i + 11]!;
}

/** out = the rigid transform of a unit quaternion and a translation. */
export function rigidAffine(
  out: Float64Array,
  o: number,
  q: Float64Array,
  i: number,
  t: Float64Array,
  j: number,
): void {
  const x = q[i]!;
  const y = q[i + 1]!;
  const z = q[i + 2]!;
  const w = q[i + 3]!;
  out[o] = 1 - 2 * (y * y + z * z);
  out[o + 1] = 2 * (x * y - z * w);
  out[o + 2] = 2 * (x * z + y * w);
  out[o + 3] = t[j]!;
  out[o + 4] = 2 * (x * y + z * w);
  out[o + 5] = 1 - 2 * (x * x + z * z);
  out[o + 6] = 2 * (y * z - x * w);
  out[o + 7] = t[j + 1]!;
  out[o + 8] = 2 * (x * z - y * w);
  out[o + 9] = 2 * (y * z + x * w);
  out[o + 10] = 1 - 2 * (x * x + y * y);
  out[o + 11] = t[j + 2]!;
}
