import { axisAngleQuat, mulQuat } from '../../src/math/quat.ts';

/** Rotation by `angle` (radians) about a unit axis, xyzw: what a test writes into a clip with `rotations.set`. */
export function axisAngle(x: number, y: number, z: number, angle: number): Float64Array {
  const out = new Float64Array(4);
  axisAngleQuat(out, 0, x, y, z, angle);
  return out;
}

/** a · b */
export function product(a: ArrayLike<number>, b: ArrayLike<number>): Float64Array {
  const out = new Float64Array(4);
  mulQuat(out, 0, Float64Array.from(a), 0, Float64Array.from(b), 0);
  return out;
}
