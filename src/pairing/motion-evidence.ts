import { Matrix, SingularValueDecomposition } from 'ml-matrix';
import { mulInverseQuat } from '../math/quat.ts';
import type { Clip } from '../skeleton/clip.ts';

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

/**
 * Reads one joint's turning by singular values: the rotation vectors of its local rotations against their first, less
 * their mean, in a matrix of one row a frame; the first right singular vector is the axis, and the squares of the singular
 * values share out the turning. Null for a clip of fewer than three frames or a joint that does not turn.
 */
export function readJointMotion(clip: Clip, joint: number): JointMotion | null {
  const { frameCount, jointCount, rotations } = clip;
  const step = Math.max(1, Math.floor(frameCount / SAMPLES));
  const rows: number[][] = [];
  const first = Float64Array.from(rotations.subarray(joint * 4, joint * 4 + 4));
  const relative = new Float64Array(4);
  for (let f = 0; f < frameCount; f += step) {
    for (let k = 0, at = (f * jointCount + joint) * 4; k < 4; k++) relative[k] = rotations[at + k]!;
    mulInverseQuat(relative, 0, first, 0, relative, 0);
    rows.push(rotationVector(relative));
  }
  if (rows.length < 3) return null;
  const vectors = new Matrix(rows);
  vectors.subRowVector(vectors.mean('column'));
  const { diagonal, rightSingularVectors } = new SingularValueDecomposition(vectors, { autoTranspose: true });
  const total = diagonal.reduce((sum, s) => sum + s * s, 0);
  if (total < 1e-6 * rows.length) return null;
  const [x, y, z] = rightSingularVectors.getColumn(0);
  const turns = rows.map((row) => row[0]! * x! + row[1]! * y! + row[2]! * z!);
  return {
    hinge: diagonal[0]! ** 2 / total,
    range: Math.max(...turns) - Math.min(...turns),
    axis: [x!, y!, z!],
  };
}

/** Axis times angle of a unit quaternion, the shorter way round. */
function rotationVector([x, y, z, w]: Float64Array): number[] {
  const sign = w! < 0 ? -1 : 1;
  const sine = Math.hypot(x!, y!, z!);
  const k = sine > 1e-9 ? (2 * sign * Math.atan2(sine, Math.abs(w!))) / sine : 2 * sign;
  return [k * x!, k * y!, k * z!];
}
