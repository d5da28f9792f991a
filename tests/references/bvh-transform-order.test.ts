import { Matrix4, Quaternion, Vector3 } from 'three';
import { describe, expect, it } from 'vitest';
import { parseBvh } from '../../src/formats/bvh/index.ts';
import { framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';

/**
 * Meredith & Maddock 2001, 'Motion capture file formats explained', University of Sheffield, CS-01-11, section on BVH:
 * a joint's local transform is M = T R, its rotation R the product of the channel matrices in the order of the
 * CHANNELS line (R = Rz Rx Ry for 'Zrotation Xrotation Yrotation', column vectors), and the position of a point is
 * M(root) … M(parent) M(joint) p. The matrices are three's; the rule is the paper's, quoted from memory.
 */
const TEXT = `HIERARCHY
ROOT hips
{
  OFFSET 0 0 0
  CHANNELS 6 Xposition Yposition Zposition Zrotation Xrotation Yrotation
  JOINT chest
  {
    OFFSET 0.5 5.21 -0.3
    CHANNELS 3 Yrotation Zrotation Xrotation
    JOINT head
    {
      OFFSET 0.1 5.45 0.4
      CHANNELS 3 Xrotation Yrotation Zrotation
      End Site
      {
        OFFSET 0 3.87 0
      }
    }
  }
}
MOTION
Frames: 1
Frame Time: 0.033333
8.03 35.01 88.36 -3.41 14.78 -164.35 13.09 40.30 -24.60 7.88 43.80 -80.10
`;
/** Of a length of ten: Float32 locals of three joints. */
const POSITION_TOLERANCE = 1e-5;

const ROTATIONS = {
  X: (degrees: number) => new Matrix4().makeRotationX((degrees * Math.PI) / 180),
  Y: (degrees: number) => new Matrix4().makeRotationY((degrees * Math.PI) / 180),
  Z: (degrees: number) => new Matrix4().makeRotationZ((degrees * Math.PI) / 180),
};

function local(x: number, y: number, z: number, turns: ['X' | 'Y' | 'Z', number][]): Matrix4 {
  const matrix = new Matrix4().makeTranslation(x, y, z);
  for (const [axis, degrees] of turns) matrix.multiply(ROTATIONS[axis](degrees));
  return matrix;
}

describe('the transform order of BVH after Meredith & Maddock 2001', () => {
  it('is M = T R, R in the order of the channels, parents first', () => {
    const hips = local(8.03, 35.01, 88.36, [
      ['Z', -3.41],
      ['X', 14.78],
      ['Y', -164.35],
    ]);
    const chest = hips.clone().multiply(
      local(0.5, 5.21, -0.3, [
        ['Y', 13.09],
        ['Z', 40.3],
        ['X', -24.6],
      ]),
    );
    const head = chest.clone().multiply(
      local(0.1, 5.45, 0.4, [
        ['X', 7.88],
        ['Y', 43.8],
        ['Z', -80.1],
      ]),
    );
    const { skeleton, clip } = parseBvh(new TextEncoder().encode(TEXT), 'order.bvh').takes[0]!;
    const world = createWorldPose(3);
    framePose(skeleton, clip, 0, restLocalPose(skeleton), world);
    [hips, chest, head].forEach((matrix, j) => {
      const expected = new Vector3().setFromMatrixPosition(matrix);
      expect(expected.distanceTo(new Vector3().fromArray(world.positions, j * 3))).toBeLessThan(POSITION_TOLERANCE);
    });
    // The head's own rotation shows only in the End Site.
    const { offset } = skeleton.tips[0]!;
    const turn = new Quaternion().fromArray(world.rotations, 8);
    const tip = new Vector3(...offset).applyQuaternion(turn);
    tip.add(new Vector3().fromArray(world.positions, 6));
    expect(tip.distanceTo(new Vector3(0, 3.87, 0).applyMatrix4(head))).toBeLessThan(POSITION_TOLERANCE);
  });
});
