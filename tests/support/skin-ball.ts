import { restWorldPose, type Skeleton } from '../../src/skeleton/skeleton.ts';
import type { SkinMesh } from '../../src/skeleton/skin.ts';

/** A ball of vertices around a point that moves with one joint; the figure's joints are not turned in its rest pose. */
export function skinBall(skeleton: Skeleton, joint: number, middle: readonly number[], radius: number): SkinMesh {
  const { positions } = restWorldPose(skeleton);
  const spots: number[] = [];
  for (let i = 0; i <= 60; i++)
    for (let j = 0; j < 60; j++) {
      const [polar, turn] = [(Math.PI * i) / 60, (Math.PI * j) / 30];
      const out = [Math.sin(polar) * Math.cos(turn), Math.cos(polar), Math.sin(polar) * Math.sin(turn)];
      for (let k = 0; k < 3; k++) spots.push(positions[joint * 3 + k]! + middle[k]! + radius * out[k]!);
    }
  const bind = new Float64Array(skeleton.jointCount * 12);
  for (let k = 0; k < 3; k++) {
    bind[joint * 12 + k * 5] = 1;
    bind[joint * 12 + k * 4 + 3] = -positions[joint * 3 + k]!;
  }
  const vertexCount = spots.length / 3;
  return {
    name: 'ball',
    vertexCount,
    positions: Float32Array.from(spots),
    triangles: new Uint32Array(0),
    influences: 1,
    joints: new Uint16Array(vertexCount).fill(joint),
    weights: new Float32Array(vertexCount).fill(1),
    bind,
  };
}
