import { describe, expect, it } from 'vitest';
import { framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createPartialPose, readPartialPose } from '../../src/skeleton/partial-pose.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';
import { figure, wander } from '../support/figure.ts';

describe('a partial pose', () => {
  it('has the numbers of the whole pose where it was asked for, and visits only what carries them', () => {
    const { skeleton, body } = figure({ fingers: true, detachedFeet: true, rollSeed: 3 });
    const clip = wander({ skeleton, body } as ReturnType<typeof figure>, 9, 4);
    expect(clip.translationJoints.length).toBeGreaterThan(0);
    const asked = [body.roles.leftHand!, body.roles.head!, body.roles.rightFoot!];
    const partial = createPartialPose(skeleton, clip, [...asked, -1]);
    expect(partial.joints.length).toBeLessThan(skeleton.jointCount / 2);
    const whole = createWorldPose(skeleton.jointCount);
    for (let f = 0; f < clip.frameCount; f++) {
      framePose(skeleton, clip, f, restLocalPose(skeleton), whole);
      const { positions, rotations } = readPartialPose(partial, f);
      for (const j of asked) {
        expect(positions.slice(j * 3, j * 3 + 3)).toEqual(whole.positions.slice(j * 3, j * 3 + 3));
        expect(rotations.slice(j * 4, j * 4 + 4)).toEqual(whole.rotations.slice(j * 4, j * 4 + 4));
      }
    }
  });
});
