import { restWorldPose, type Skeleton } from '../../src/skeleton/skeleton.ts';
import type { SkinMesh } from '../../src/skeleton/skin.ts';

const RINGS = 24;
const SIDES = 32;

/**
 * A closed mesh around a point that moves with one joint, wound outwards; the figure's joints are not turned in its rest pose.
 * @param middle  from the joint, metres
 * @param radii   along x, y and z
 */
export function skinEllipsoid(
  skeleton: Skeleton,
  joint: number,
  middle: readonly number[],
  radii: readonly number[],
): SkinMesh {
  const { positions } = restWorldPose(skeleton);
  const spots: number[] = [];
  for (let i = 0; i <= RINGS; i++)
    for (let j = 0; j < SIDES; j++) {
      const [polar, turn] = [(Math.PI * i) / RINGS, (2 * Math.PI * j) / SIDES];
      const out = [Math.sin(polar) * Math.cos(turn), Math.cos(polar), Math.sin(polar) * Math.sin(turn)];
      for (let k = 0; k < 3; k++) spots.push(positions[joint * 3 + k]! + middle[k]! + radii[k]! * out[k]!);
    }
  const triangles: number[] = [];
  for (let i = 0; i < RINGS; i++)
    for (let j = 0; j < SIDES; j++) {
      const [a, b] = [i * SIDES + j, i * SIDES + ((j + 1) % SIDES)];
      triangles.push(a, b, a + SIDES, b, b + SIDES, a + SIDES);
    }
  const bind = new Float64Array(skeleton.jointCount * 12);
  for (let k = 0; k < 3; k++) {
    bind[joint * 12 + k * 5] = 1;
    bind[joint * 12 + k * 4 + 3] = -positions[joint * 3 + k]!;
  }
  const vertexCount = spots.length / 3;
  return {
    name: 'ellipsoid',
    vertexCount,
    positions: Float32Array.from(spots),
    triangles: Uint32Array.from(triangles),
    influences: 1,
    joints: new Uint16Array(vertexCount).fill(joint),
    weights: new Float32Array(vertexCount).fill(1),
    bind,
  };
}
