import { mulInverseQuat, mulQuat, normalizeQuat } from '../../math/quat.ts';
import type { Clip } from '../../skeleton/clip.ts';

/** Rotation vector (axis times angle, radians) of a unit quaternion; of the two signs the shorter way. */
export function rotationLog(out: Float64Array, q: Float64Array): void {
  const sign = q[3]! < 0 ? -1 : 1;
  const sine = Math.sqrt(q[0]! ** 2 + q[1]! ** 2 + q[2]! ** 2);
  const k = sine > 1e-12 ? (2 * sign * Math.atan2(sine, Math.abs(q[3]!))) / sine : 2 * sign;
  for (let i = 0; i < 3; i++) out[i] = q[i]! * k;
}

/** Unit quaternion of a rotation vector. */
export function rotationExp(out: Float64Array, v: Float64Array): void {
  const angle = Math.sqrt(v[0]! ** 2 + v[1]! ** 2 + v[2]! ** 2);
  const k = angle > 1e-12 ? Math.sin(angle / 2) / angle : 0.5;
  for (let i = 0; i < 3; i++) out[i] = v[i]! * k;
  out[3] = Math.cos(angle / 2);
}

/** Rotations of one joint over the clip, Float64, frames × 4, each on the side of the one before. */
export function jointRotations(clip: Clip, joint: number): Float64Array {
  const { frameCount, jointCount, rotations } = clip;
  const out = new Float64Array(frameCount * 4);
  for (let f = 0; f < frameCount; f++) {
    const from = (f * jointCount + joint) * 4;
    let dot = 0;
    for (let k = 0; k < 4; k++) {
      out[f * 4 + k] = rotations[from + k]!;
      if (f > 0) dot += out[f * 4 + k]! * out[f * 4 - 4 + k]!;
    }
    if (dot < 0) for (let k = 0; k < 4; k++) out[f * 4 + k]! *= -1;
    normalizeQuat(out, f * 4);
  }
  return out;
}

/** out = log(a⁻¹ · b): the turn from a to b, seen from a. */
export function turnBetween(out: Float64Array, a: Float64Array, i: number, b: Float64Array, j: number): void {
  mulInverseQuat(SCRATCH, 0, a, i, b, j);
  rotationLog(out, SCRATCH);
}

/** out = a · exp(v). */
export function turnedBy(out: Float64Array, o: number, a: Float64Array, i: number, v: Float64Array): void {
  rotationExp(SCRATCH, v);
  mulQuat(out, o, a, i, SCRATCH, 0);
  normalizeQuat(out, o);
}

const SCRATCH = new Float64Array(4);
