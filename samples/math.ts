/** The little geometry that the samples need. Vectors are [x, y, z], quaternions [x, y, z, w]; both are values. */
export type Vec = readonly [number, number, number];
export type Quat = readonly [number, number, number, number];

export const DEGREE = Math.PI / 180;
export const IDENTITY: Quat = [0, 0, 0, 1];
export const X: Vec = [1, 0, 0];
export const Y: Vec = [0, 1, 0];
export const Z: Vec = [0, 0, 1];

export const add = (a: Vec, b: Vec): Vec => [a[0] + b[0], a[1] + b[1], a[2] + b[2]];
export const sub = (a: Vec, b: Vec): Vec => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
export const scale = (a: Vec, k: number): Vec => [a[0] * k, a[1] * k, a[2] * k];
export const dot = (a: Vec, b: Vec): number => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
export const cross = (a: Vec, b: Vec): Vec => [
  a[1] * b[2] - a[2] * b[1],
  a[2] * b[0] - a[0] * b[2],
  a[0] * b[1] - a[1] * b[0],
];
export const length = (a: Vec): number => Math.hypot(a[0], a[1], a[2]);
export const distance = (a: Vec, b: Vec): number => length(sub(a, b));
export const normalize = (a: Vec): Vec => scale(a, 1 / length(a));
export const mix = (a: number, b: number, t: number): number => a + (b - a) * t;
export const mixVec = (a: Vec, b: Vec, t: number): Vec => [mix(a[0], b[0], t), mix(a[1], b[1], t), mix(a[2], b[2], t)];
export const clamp = (x: number, low: number, high: number): number => Math.min(high, Math.max(low, x));
export const mirror = (a: Vec): Vec => [-a[0], a[1], a[2]];

/** 0 below `from`, 1 above `to`, with level ends. */
export function smoothstep(from: number, to: number, x: number): number {
  const t = clamp((x - from) / (to - from), 0, 1);
  return t * t * (3 - 2 * t);
}

/** As `smoothstep`, with curvature 0 at both ends too, for what moves: speed and acceleration start from nothing. */
export function ease(t: number): number {
  const x = clamp(t, 0, 1);
  return x * x * x * (x * (x * 6 - 15) + 10);
}

/** Piecewise linear through [x, y] points in ascending x; constant outside. */
export function interpolate(points: readonly (readonly [number, number])[], x: number): number {
  if (x <= points[0]![0]) return points[0]![1];
  for (let i = 1; i < points.length; i++) {
    const [x1, y1] = points[i]!;
    const [x0, y0] = points[i - 1]!;
    if (x <= x1) return mix(y0, y1, (x - x0) / (x1 - x0));
  }
  return points.at(-1)![1];
}

export const conjugate = (q: Quat): Quat => [-q[0], -q[1], -q[2], q[3]];

/** a · b: applies b first. */
export const multiply = (a: Quat, b: Quat): Quat => [
  a[3] * b[0] + a[0] * b[3] + a[1] * b[2] - a[2] * b[1],
  a[3] * b[1] - a[0] * b[2] + a[1] * b[3] + a[2] * b[0],
  a[3] * b[2] + a[0] * b[1] - a[1] * b[0] + a[2] * b[3],
  a[3] * b[3] - a[0] * b[0] - a[1] * b[1] - a[2] * b[2],
];

/** Angle in radians about a unit axis. */
export function turn(axis: Vec, angle: number): Quat {
  const s = Math.sin(angle / 2);
  return [axis[0] * s, axis[1] * s, axis[2] * s, Math.cos(angle / 2)];
}

export function rotate(q: Quat, v: Vec): Vec {
  const n: Vec = [q[0], q[1], q[2]];
  const t = scale(cross(n, v), 2);
  return add(add(v, scale(t, q[3])), cross(n, t));
}

/** The rotation whose columns are the given right-handed orthonormal axes. */
export function fromAxes(x: Vec, y: Vec, z: Vec): Quat {
  const trace = x[0] + y[1] + z[2];
  if (trace > 0) {
    const s = Math.sqrt(trace + 1) * 2;
    return [(y[2] - z[1]) / s, (z[0] - x[2]) / s, (x[1] - y[0]) / s, s / 4];
  }
  if (x[0] > y[1] && x[0] > z[2]) {
    const s = Math.sqrt(1 + x[0] - y[1] - z[2]) * 2;
    return [s / 4, (y[0] + x[1]) / s, (z[0] + x[2]) / s, (y[2] - z[1]) / s];
  }
  if (y[1] > z[2]) {
    const s = Math.sqrt(1 + y[1] - x[0] - z[2]) * 2;
    return [(y[0] + x[1]) / s, s / 4, (z[1] + y[2]) / s, (z[0] - x[2]) / s];
  }
  const s = Math.sqrt(1 + z[2] - x[0] - y[1]) * 2;
  return [(z[0] + x[2]) / s, (z[1] + y[2]) / s, s / 4, (x[1] - y[0]) / s];
}

/** `main` becomes the +Y axis, the part of `hint` square to it the +Z axis. */
export function lookAlong(main: Vec, hint: Vec): Quat {
  const y = normalize(main);
  const z = normalize(sub(hint, scale(y, dot(hint, y))));
  return fromAxes(cross(y, z), y, z);
}

/** Spherical interpolation on the shorter arc. */
export function slerp(a: Quat, b: Quat, t: number): Quat {
  let cosine = a[0] * b[0] + a[1] * b[1] + a[2] * b[2] + a[3] * b[3];
  const sign = cosine < 0 ? -1 : 1;
  cosine *= sign;
  const angle = Math.acos(Math.min(1, cosine));
  const k = Math.sin(angle);
  const wa = k < 1e-6 ? 1 - t : Math.sin((1 - t) * angle) / k;
  const wb = sign * (k < 1e-6 ? t : Math.sin(t * angle) / k);
  const q: Quat = [a[0] * wa + b[0] * wb, a[1] * wa + b[1] * wb, a[2] * wa + b[2] * wb, a[3] * wa + b[3] * wb];
  const n = 1 / Math.hypot(...q);
  return [q[0] * n, q[1] * n, q[2] * n, q[3] * n];
}
