import { principalAxes } from '../math/principal-axes.ts';
import { mulInverseQuat } from '../math/quat.ts';
import type { Clip } from '../skeleton/clip.ts';
import { centre, dot, minus, type Point } from './point.ts';

/** How a joint turns over a clip, as rotation vectors about their mean. */
export interface JointMotion {
  /** Share of all turning that is about one axis, 0 to 1: 1 for a door hinge, a third for a ball joint. */
  hinge: number;
  /** From the smallest to the largest turn about that axis, radians. */
  range: number;
  /** The axis in the parent's frame, unit. */
  axis: [number, number, number];
}

/** Frames of a clip that are looked at. */
const SAMPLES = 96;
/** A joint that turns less than this is still, rad. */
const STILL = 0.005;

/**
 * Reads one joint's turning by singular values: the rotation vectors of its local rotations against its first, less
 * their mean, and their principal axes. Null for a clip of fewer than three frames or a joint that does not turn.
 */
export function readJointMotion(clip: Clip, joint: number): JointMotion | null {
  const { frameCount, jointCount, rotations } = clip;
  const step = Math.max(1, Math.floor(frameCount / SAMPLES));
  const vectors: Point[] = [];
  const first = Float64Array.from(rotations.subarray(joint * 4, joint * 4 + 4));
  const relative = new Float64Array(4);
  for (let f = 0; f < frameCount; f += step) {
    const at = (f * jointCount + joint) * 4;
    relative.set(rotations.subarray(at, at + 4));
    mulInverseQuat(relative, 0, first, 0, relative, 0);
    vectors.push(rotationVector(relative));
  }
  if (vectors.length < 3) return null;
  const mean = centre(vectors);
  const spread = vectors.map((v) => minus(v, mean));
  const { axes, shares } = principalAxes(spread);
  const turns = spread.map((v) => dot(v, axes[0]!));
  const range = Math.max(...turns) - Math.min(...turns);
  if (range < STILL) return null;
  return { hinge: shares[0]!, range, axis: axes[0]! };
}

/** Axis times angle of a unit quaternion, the shorter way round. */
function rotationVector(q: Float64Array): Point {
  const [x, y, z, w] = [q[0]!, q[1]!, q[2]!, q[3]!];
  const sign = w < 0 ? -1 : 1;
  const sine = Math.hypot(x, y, z);
  const k = sine > 1e-9 ? (2 * sign * Math.atan2(sine, Math.abs(w))) / sine : 2 * sign;
  return [k * x, k * y, k * z];
}
