import { describe, expect, it } from 'vitest';
import { createClip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { moveClip, type Placement } from '../../src/skeleton/normalise.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';
import { skeletonFrom } from '../support/biped.ts';
import { axisAngle } from '../support/quat.ts';

describe('a motion that is moved', () => {
  it('takes along roots that keep their rest offset', () => {
    const skeleton = skeletonFrom([
      ['root', null, [0.3, 0.1, -0.2]],
      ['hips', 'root', [0.3, 1, -0.2]],
      ['hand', 'hips', [0.9, 1, -0.2]],
    ]);
    const clip = createClip('one', 1, 1 / 30, 3, [1]);
    for (let j = 0; j < 3; j++) clip.rotations.set(axisAngle(0, 0, 1, 0.3 * j), j * 4);
    clip.translations.set([0.1, 0.9, 0.05]);
    const half = Math.PI / 12;
    const turned: Placement = { rotation: [Math.sin(half), 0, 0, Math.cos(half)], scale: 1, translation: [0, 0.5, 2] };
    const places = (motion: typeof clip) => {
      const pose = createWorldPose(3);
      framePose(skeleton, motion, 0, restLocalPose(skeleton), pose);
      return pose.positions;
    };
    const before = places(clip);
    const after = places(moveClip(clip, skeleton, turned));
    for (let j = 0; j < 3; j++) {
      const [x, y, z] = before.subarray(j * 3, j * 3 + 3) as unknown as [number, number, number];
      const [c, s] = [Math.cos(2 * half), Math.sin(2 * half)];
      const expected = [x, c * y - s * z + 0.5, s * y + c * z + 2];
      expected.forEach((v, k) => {
        expect(after[j * 3 + k]!).toBeCloseTo(v, 6);
      });
    }
  });
});
