/**
 * How low a mesh comes in a pose. Tried before: all vertices of a part by `skinVertices`, which took a third to a half of a
 * proof where hands and knees are near the floor. Here only heights are computed, of joints that move the mesh at all, and
 * none where a bound tells that the mesh is above what matters.
 */
import { transformPoint } from '../math/affine.ts';
import type { WorldPose } from './skeleton.ts';
import type { SkinMesh } from './skin.ts';

/** A mesh that is asked for its lowest vertex, pose after pose. */
export interface LowProbe {
  readonly mesh: SkinMesh;
  /** Joints that move it. */
  readonly joints: Int16Array;
  /** Of what each of them moves: the middle, in the joint's frame, and how far the vertices are from it; metres. */
  readonly middles: Float64Array;
  readonly radii: Float64Array;
  /** What gives a vertex its height, four numbers a joint of the skeleton. */
  readonly rows: Float64Array;
  /** The vertex that `lowestVertex` found last. */
  lowest: number;
}

/** Allocates its result. */
export function createLowProbe(mesh: SkinMesh): LowProbe {
  const { vertexCount, influences, weights, bind } = mesh;
  const jointCount = bind.length / 12;
  const positions = Float64Array.from(mesh.positions);
  const low = new Float64Array(jointCount * 3).fill(Number.POSITIVE_INFINITY);
  const high = new Float64Array(jointCount * 3).fill(Number.NEGATIVE_INFINITY);
  const place = new Float64Array(3);
  const each = (see: (joint: number) => void): void => {
    for (let v = 0; v < vertexCount; v++)
      for (let i = v * influences; i < (v + 1) * influences; i++) {
        if (!(weights[i]! > 0)) continue;
        transformPoint(place, 0, bind, mesh.joints[i]! * 12, positions, v * 3);
        see(mesh.joints[i]!);
      }
  };
  each((j) => {
    for (let k = 0; k < 3; k++) {
      low[j * 3 + k] = Math.min(low[j * 3 + k]!, place[k]!);
      high[j * 3 + k] = Math.max(high[j * 3 + k]!, place[k]!);
    }
  });
  const joints = Int16Array.from([...Array(jointCount).keys()].filter((j) => low[j * 3]! <= high[j * 3]!));
  const middles = low.map((least, i) => (least + high[i]!) / 2);
  const radii = new Float64Array(jointCount);
  each((j) => {
    const away = Math.hypot(...[0, 1, 2].map((k) => place[k]! - middles[j * 3 + k]!));
    radii[j] = Math.max(radii[j]!, away);
  });
  return { mesh, joints, middles, radii, rows: new Float64Array(jointCount * 4), lowest: -1 };
}

/** A height below which no vertex is: each is a mean of where single joints would put it. Allocates nothing. */
export function boundBelow({ joints, middles, radii }: LowProbe, { rotations, positions }: WorldPose): number {
  let bound = Number.POSITIVE_INFINITY;
  for (let i = 0; i < joints.length; i++) {
    const j = joints[i]!;
    const x = rotations[j * 4]!;
    const y = rotations[j * 4 + 1]!;
    const z = rotations[j * 4 + 2]!;
    const w = rotations[j * 4 + 3]!;
    const height =
      positions[j * 3 + 1]! +
      2 * (x * y + w * z) * middles[j * 3]! +
      (1 - 2 * (x * x + z * z)) * middles[j * 3 + 1]! +
      2 * (y * z - w * x) * middles[j * 3 + 2]! -
      radii[j]!;
    if (height < bound) bound = height;
  }
  return bound;
}

/** Height of the lowest vertex in a pose, skinned as `skinVertices` does; the vertex is in `lowest`. Allocates nothing. */
export function lowestVertex(probe: LowProbe, pose: WorldPose): number {
  const { mesh, rows } = probe;
  fillRows(probe, pose);
  const { vertexCount, influences, positions, joints, weights } = mesh;
  let least = Number.POSITIVE_INFINITY;
  for (let v = 0; v < vertexCount; v++) {
    const px = positions[v * 3]!;
    const py = positions[v * 3 + 1]!;
    const pz = positions[v * 3 + 2]!;
    let height = 0;
    let sum = 0;
    for (let i = v * influences; i < (v + 1) * influences; i++) {
      const weight = weights[i]!;
      if (weight === 0) continue;
      const r = joints[i]! * 4;
      height += weight * (rows[r]! * px + rows[r + 1]! * py + rows[r + 2]! * pz + rows[r + 3]!);
      sum += weight;
    }
    if (sum > 0) height /= sum;
    if (height < least) {
      least = height;
      probe.lowest = v;
    }
  }
  return least;
}

/** Second row of world(joint) · bind(joint), for the joints that move the mesh. */
function fillRows({ mesh: { bind }, joints, rows }: LowProbe, { rotations, positions }: WorldPose): void {
  for (let i = 0; i < joints.length; i++) {
    const j = joints[i]!;
    const x = rotations[j * 4]!;
    const y = rotations[j * 4 + 1]!;
    const z = rotations[j * 4 + 2]!;
    const w = rotations[j * 4 + 3]!;
    const rx = 2 * (x * y + w * z);
    const ry = 1 - 2 * (x * x + z * z);
    const rz = 2 * (y * z - w * x);
    const at = j * 12;
    for (let c = 0; c < 4; c++) rows[j * 4 + c] = rx * bind[at + c]! + ry * bind[at + 4 + c]! + rz * bind[at + 8 + c]!;
    rows[j * 4 + 3]! += positions[j * 3 + 1]!;
  }
}
