import { describe, expect, it } from 'vitest';
import type { RoleMap } from '../../src/pairing/roles.ts';
import { createBuild } from '../../src/proof/build.ts';
import { handLength } from '../../src/proof/hand-length.ts';
import { biped } from '../support/biped.ts';
import { skinBall } from '../support/skin-ball.ts';

const skeleton = biped();
const roles: RoleMap = Object.fromEntries(skeleton.names.map((name, j) => [name, j]));
const { legLength } = createBuild({ skeleton, roles });

describe('how long a hand is', () => {
  it('is from the wrist to the end of its skin', () => {
    // A palm around a point 0.1 m out from the wrist, its skin 0.05 m from there.
    const skins = [
      skinBall(skeleton, roles.leftHand!, [0.1, 0, 0], 0.05),
      skinBall(skeleton, roles.head!, [0, 0, 0], 0.4),
    ];
    expect(handLength(createBuild({ skeleton, roles, skins }), 'leftHand') * legLength).toBeCloseTo(0.15, 2);
  });

  it('is that of a person as tall as the figure, without a mesh', () => {
    // From the toes at 0.02 m to the head joint at 1.54 m.
    expect(handLength(createBuild({ skeleton, roles }), 'rightHand') * legLength).toBeCloseTo(0.108 * 1.52, 3);
  });
});
