import type { WorldPose } from '../skeleton/skeleton.ts';
import { type SkinMesh, skinVertices } from '../skeleton/skin.ts';
import type { Point } from './point.ts';

/** What the mesh adds to the joints: where the surface is in the reference pose and which joint moves it. */
export interface MeshShape {
  /** World positions of all vertices of all skins, × 3. */
  positions: Float64Array;
  /** The joint with the largest weight on each vertex; -1 for a vertex without weight. */
  owner: Int32Array;
  /** Sum of the weights on each joint. */
  weight: Float64Array;
}

/** Poses all skins; null when there is no vertex at all. */
export function readMeshShape(skins: readonly SkinMesh[], jointCount: number, pose: WorldPose): MeshShape | null {
  const vertexCount = skins.reduce((sum, skin) => sum + skin.vertexCount, 0);
  if (vertexCount === 0) return null;
  const positions = new Float64Array(vertexCount * 3);
  const owner = new Int32Array(vertexCount).fill(-1);
  const weight = new Float64Array(jointCount);
  const scratch = new Float64Array(jointCount * 12);
  let first = 0;
  for (const skin of skins) {
    const out = new Float64Array(skin.vertexCount * 3);
    skinVertices(skin, pose, out, scratch);
    positions.set(out, first * 3);
    for (let v = 0; v < skin.vertexCount; v++) {
      let most = 0;
      for (let i = v * skin.influences; i < (v + 1) * skin.influences; i++) {
        const w = skin.weights[i]!;
        const joint = skin.joints[i]!;
        if (joint >= jointCount || !(w > 0)) continue;
        weight[joint]! += w;
        if (w > most) {
          most = w;
          owner[first + v] = joint;
        }
      }
    }
    first += skin.vertexCount;
  }
  return { positions, owner, weight };
}

/** Positions of the vertices that mostly move with one of the joints. */
export function verticesOf(mesh: MeshShape, belongs: (joint: number) => boolean): Point[] {
  const list: Point[] = [];
  for (let v = 0; v < mesh.owner.length; v++) {
    const joint = mesh.owner[v]!;
    if (joint < 0 || !belongs(joint)) continue;
    const p: Point = [mesh.positions[v * 3]!, mesh.positions[v * 3 + 1]!, mesh.positions[v * 3 + 2]!];
    if (p.every(Number.isFinite)) list.push(p);
  }
  return list;
}
