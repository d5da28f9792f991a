import { Quaternion, Vector3 } from 'three';
import { describe, expect, it } from 'vitest';
import { correctionDirections, correctionRotation, ROLES, type Role } from '../../src/index.ts';
import { swingBetween } from '../../web/model/swing.ts';

/** Degrees; three's quaternions and vectors turn the same way by other code. */
const TOLERANCE = 1e-3;

describe('a dragged segment as a correction', () => {
  it.each(ROLES.filter((role) => /Arm|Leg|Hand|Foot|spine|head/.test(role)))(
    'the correction of the %s takes its segment to where it was dragged (against three)',
    (role: Role) => {
      const { along, forward, outward } = correctionDirections(role);
      const from = new Vector3(...along);
      for (const [f, o] of [
        [0.4, 0],
        [0, 0.5],
        [-0.7, 0.3],
        [0.2, -1.1],
      ] as const) {
        const to = from
          .clone()
          .addScaledVector(new Vector3(...forward), f)
          .addScaledVector(new Vector3(...outward), o)
          .normalize();
        const swing = swingBetween(role, from.toArray(), to.toArray());
        const turn = new Quaternion().fromArray(correctionRotation(role, { swing: [swing.forward, swing.outward] }));
        const reached = from.clone().applyQuaternion(turn);
        expect((reached.angleTo(to) * 180) / Math.PI).toBeLessThan(TOLERANCE);
      }
    },
  );

  it('leaves a segment that was not moved', () => {
    expect(swingBetween('leftLowerArm', [1, 0, 0], [1, 0, 0])).toEqual({ forward: 0, outward: 0 });
  });
});
