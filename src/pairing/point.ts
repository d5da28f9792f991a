/** Three-vectors that allocate their results: for geometry that is read once a figure, never in a frame loop. */

export type Point = [number, number, number];

export const pointAt = (a: ArrayLike<number>, j: number): Point => [a[j * 3]!, a[j * 3 + 1]!, a[j * 3 + 2]!];
export const plus = (a: Point, b: Point): Point => [a[0] + b[0], a[1] + b[1], a[2] + b[2]];
export const minus = (a: Point, b: Point): Point => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
export const times = (a: Point, k: number): Point => [a[0] * k, a[1] * k, a[2] * k];
export const dot = (a: Point, b: Point): number => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
export const cross = (a: Point, b: Point): Point => [
  a[1] * b[2] - a[2] * b[1],
  a[2] * b[0] - a[0] * b[2],
  a[0] * b[1] - a[1] * b[0],
];
// Math.hypot takes any number of numbers, which the engine does not compile away.
export const norm = (a: Point): number => Math.sqrt(a[0] * a[0] + a[1] * a[1] + a[2] * a[2]);
export const distance = (a: Point, b: Point): number => norm(minus(a, b));
export const middle = (a: Point, b: Point): Point => times(plus(a, b), 0.5);

/** The direction of `a`; a zero vector stays zero. */
export function unit(a: Point): Point {
  const length = norm(a);
  return length > 0 ? times(a, 1 / length) : [0, 0, 0];
}

/** `a` without its part along the unit vector `n`. */
export const squareTo = (a: Point, n: Point): Point => minus(a, times(n, dot(a, n)));

/** Mean of some points; the origin for none. */
export function centre(points: readonly Point[]): Point {
  let sum: Point = [0, 0, 0];
  for (const p of points) sum = plus(sum, p);
  return points.length > 0 ? times(sum, 1 / points.length) : sum;
}

/** Middle value; of an even count the lower of the two; NaN for none. */
export function median(values: readonly number[]): number {
  return quantile(values, 0.5);
}

/** The value below which the share `q` of the values lies; NaN for none. */
export function quantile(values: ArrayLike<number>, q: number): number {
  const sorted = Float64Array.from(values).sort();
  return sorted.length > 0 ? sorted[Math.floor(q * (sorted.length - 1))]! : Number.NaN;
}

/** The world axis (±x, ±y, ±z) nearest to a direction, and the angle to it in radians. */
export function nearestAxis(a: Point): { axis: Point; name: string; angle: number } {
  let best = 0;
  for (let k = 1; k < 3; k++) if (Math.abs(a[k]!) > Math.abs(a[best]!)) best = k;
  const sign = a[best]! < 0 ? -1 : 1;
  const axis: Point = [0, 0, 0];
  axis[best] = sign;
  const name = `${sign < 0 ? '-' : '+'}${'XYZ'[best]}`;
  return { axis, name, angle: Math.acos(Math.min(1, Math.abs(a[best]!) / (norm(a) || 1))) };
}

/** `+Y` for a direction within a hundredth of an axis, else its three numbers. */
export function directionName(a: Point): string {
  const { name, angle } = nearestAxis(a);
  return angle < 0.01 ? name : `(${a.map((v) => v.toFixed(2)).join(', ')})`;
}
