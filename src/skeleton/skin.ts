import type { WorldPose } from './skeleton.ts';

/**
 * A mesh that joints move, with linear blend skinning (glTF 2.0, section 3.7.3.3):
 * vertex = Σ weight · world(joint) · bind(joint) · position.
 * `world` is the joint's rigid world transform; the joint's own scale, and the file's inverse bind matrix, are both in
 * `bind`. A rigid part hung on a joint is a mesh with weight 1 on it.
 */
export interface SkinMesh {
  readonly name: string;
  readonly vertexCount: number;
  /** Mesh space, vertexCount × 3. */
  readonly positions: Float32Array;
  /** Three vertex indices a triangle. */
  readonly triangles: Uint32Array;
  /** Influences a vertex: 4, 8, … */
  readonly influences: number;
  /** Skeleton joint indices, vertexCount × influences. */
  readonly joints: Uint16Array;
  /** As in the file, not normalised, vertexCount × influences. */
  readonly weights: Float32Array;
  /** Affine 3 × 4 a skeleton joint, row-major, jointCount × 12. Joints that are not in this skin hold zeros. */
  readonly bind: Float64Array;
}

/**
 * World positions of all vertices in a pose. Weights are used as the file has them, divided by their sum where that is
 * neither 0 nor 1, as glTF viewers commonly do.
 * @param out  vertexCount × 3, overwritten
 * @param scratch  jointCount × 12, overwritten: world · bind of each joint
 */
export function skinVertices(mesh: SkinMesh, pose: WorldPose, out: Float64Array, scratch: Float64Array): void {
  jointMatrices(mesh, pose, scratch);
  blend(out, mesh.positions, mesh.influences, mesh.joints, mesh.weights, mesh.vertexCount, scratch);
}

/** Takes arrays, as meshes come in several hidden classes, each of which would have the loop compiled again. */
function blend(
  out: Float64Array,
  positions: Float32Array,
  influences: number,
  joints: Uint16Array,
  weights: Float32Array,
  vertexCount: number,
  matrices: Float64Array,
): void {
  for (let v = 0; v < vertexCount; v++) {
    const px = positions[v * 3]!;
    const py = positions[v * 3 + 1]!;
    const pz = positions[v * 3 + 2]!;
    let x = 0;
    let y = 0;
    let z = 0;
    let sum = 0;
    for (let i = v * influences; i < (v + 1) * influences; i++) {
      const w = weights[i]!;
      if (w === 0) continue;
      const m = joints[i]! * 12;
      x += w * (matrices[m]! * px + matrices[m + 1]! * py + matrices[m + 2]! * pz + matrices[m + 3]!);
      y += w * (matrices[m + 4]! * px + matrices[m + 5]! * py + matrices[m + 6]! * pz + matrices[m + 7]!);
      z += w * (matrices[m + 8]! * px + matrices[m + 9]! * py + matrices[m + 10]! * pz + matrices[m + 11]!);
      sum += w;
    }
    const k = sum > 0 ? 1 / sum : 0;
    out[v * 3] = x * k;
    out[v * 3 + 1] = y * k;
    out[v * 3 + 2] = z * k;
  }
}

/**
 * World · bind of each joint: what takes the mesh's own space to world space. Allocates nothing.
 * @param out  jointCount × 12, overwritten
 */
export function jointMatrices(mesh: SkinMesh, pose: WorldPose, out: Float64Array): void {
  const { bind } = mesh;
  for (let j = 0; j * 12 < bind.length; j++) worldBind(bind, pose.rotations, pose.positions, j, out);
}

/** scratch[j] = world(j) · bind(j), both affine 3 × 4. */
function worldBind(
  bind: Float64Array,
  rotations: Float64Array,
  positions: Float64Array,
  j: number,
  scratch: Float64Array,
): void {
  const x = rotations[j * 4]!;
  const y = rotations[j * 4 + 1]!;
  const z = rotations[j * 4 + 2]!;
  const w = rotations[j * 4 + 3]!;
  const r00 = 1 - 2 * (y * y + z * z);
  const r01 = 2 * (x * y - z * w);
  const r02 = 2 * (x * z + y * w);
  const r10 = 2 * (x * y + z * w);
  const r11 = 1 - 2 * (x * x + z * z);
  const r12 = 2 * (y * z - x * w);
  const r20 = 2 * (x * z - y * w);
  const r21 = 2 * (y * z + x * w);
  const r22 = 1 - 2 * (x * x + y * y);
  const at = j * 12;
  for (let c = 0; c < 4; c++) {
    const b0 = bind[at + c]!;
    const b1 = bind[at + 4 + c]!;
    const b2 = bind[at + 8 + c]!;
    scratch[at + c] = r00 * b0 + r01 * b1 + r02 * b2;
    scratch[at + 4 + c] = r10 * b0 + r11 * b1 + r12 * b2;
    scratch[at + 8 + c] = r20 * b0 + r21 * b1 + r22 * b2;
  }
  scratch[at + 3]! += positions[j * 3]!;
  scratch[at + 7]! += positions[j * 3 + 1]!;
  scratch[at + 11]! += positions[j * 3 + 2]!;
}

/** The joint that moves a vertex by more than half; -1 where none does. */
export function heaviestJoint({ influences, joints, weights }: SkinMesh, v: number): number {
  let sum = 0;
  let most = 0;
  let joint = -1;
  for (let i = v * influences; i < (v + 1) * influences; i++) {
    sum += weights[i]!;
    if (weights[i]! > most) [most, joint] = [weights[i]!, joints[i]!];
  }
  return most > 0.5 * sum ? joint : -1;
}

/** A mesh of some of the vertices of another, without triangles. */
export function keepVertices(skin: SkinMesh, vertices: Uint32Array): SkinMesh {
  const { influences } = skin;
  const positions = new Float32Array(vertices.length * 3);
  const joints = new Uint16Array(vertices.length * influences);
  const weights = new Float32Array(vertices.length * influences);
  vertices.forEach((v, i) => {
    positions.set(skin.positions.subarray(v * 3, v * 3 + 3), i * 3);
    joints.set(skin.joints.subarray(v * influences, (v + 1) * influences), i * influences);
    weights.set(skin.weights.subarray(v * influences, (v + 1) * influences), i * influences);
  });
  return { ...skin, vertexCount: vertices.length, positions, joints, weights, triangles: new Uint32Array(0) };
}
