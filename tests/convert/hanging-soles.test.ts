import { describe, expect, it } from 'vitest';
import { alignFigure } from '../../src/alignment/alignment.ts';
import { soleOf } from '../../src/contact/measure-soles.ts';
import { hangingSoles } from '../../src/convert/hanging-soles.ts';
import { rotateVec } from '../../src/math/quat.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import { framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { SIDES } from '../../src/skeleton/side.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';
import type { SkinMesh } from '../../src/skeleton/skin.ts';
import { figure } from '../support/figure.ts';
import { buildWalker } from '../support/walker.ts';
import { walkerActor } from '../support/walker-actor.ts';

/**
 * Cosine of 6 degrees. A sole is levelled about the axis across the foot, and the figure's toes point 4 degrees out, while its
 * feet hang about an axis straight across the body: it keeps a roll of up to that.
 */
const CLOSE = Math.cos((6 * Math.PI) / 180);

/** A figure whose feet hang by so many degrees in its rest pose, in shoes whose soles lie 8 cm under the ankles. */
function hanging(degrees: number) {
  const actor = figure({ restTurns: { leftFoot: [[1, 0, 0], degrees], rightFoot: [[1, 0, 0], degrees] } });
  const { jointCount } = actor.skeleton;
  const sole = [-0.06, 0, 0.06, 0.12, 0.18].flatMap((z) => [-0.04, 0.04].map((x) => [x, -0.08, z]));
  const feet = SIDES.map((side) => actor.body.roles[`${side}Foot`]!);
  const count = sole.length * feet.length;
  const bind = new Float64Array(jointCount * 12);
  for (let j = 0; j < jointCount; j++) for (let k = 0; k < 3; k++) bind[j * 12 + k * 5] = 1;
  const skin: SkinMesh = {
    name: 'shoes',
    vertexCount: count,
    positions: Float32Array.from(feet.flatMap(() => sole.flat())),
    triangles: new Uint32Array(0),
    influences: 1,
    joints: Uint16Array.from(feet.flatMap((foot) => sole.map(() => foot))),
    weights: new Float32Array(count).fill(1),
    bind,
  };
  return { actor, skin };
}

describe('soles measured on a mesh', () => {
  it.each([25, 40, -15])('tell how feet stand that hang by %s degrees in the reference pose', (degrees) => {
    const { actor, skin } = hanging(degrees);
    const { skeleton, body } = actor;
    const soles = hangingSoles(skeleton, soleOf(skeleton, body.roles, [skin]));
    SIDES.forEach((side, i) => {
      // Without rolled axes the foot joint's Y axis is square to the sole.
      expect(soles.soleUp[side]![1]!).toBeGreaterThan(CLOSE);
      expect(soles.ankleHeights[i]).toBeCloseTo(0.08, 2);
    });
    // A performer whose feet stand gives feet that stand.
    const walker = buildWalker();
    const target = { skeleton, body, alignment: alignFigure(skeleton, body, [0.08, 0.08], soles) };
    const clip = retargetClip(compileRetarget(walkerActor(walker), target), walker.clip);
    const pose = createWorldPose(skeleton.jointCount);
    const up = new Float64Array(3);
    // In this frame the left foot of the walker stands flat: heel and ball are down from 0.12 to 0.34 of its cycle of 1.2 s.
    framePose(skeleton, clip, Math.round(0.2 * 1.2 * 60), restLocalPose(skeleton), pose);
    rotateVec(up, 0, pose.rotations, body.roles.leftFoot! * 4, Float64Array.of(0, 1, 0), 0);
    expect(up[1]!).toBeGreaterThan(CLOSE);
  });

  it.each([0, 5])('leave feet to the reference pose that stand in it, uneven by %s degrees', (degrees) => {
    const { actor, skin } = hanging(degrees);
    const soles = soleOf(actor.skeleton, actor.body.roles, [skin]);
    expect(hangingSoles(actor.skeleton, soles)).toEqual({ soleUp: {}, ankleHeights: [null, null] });
  });

  it('are none without a mesh', () => {
    const { actor } = hanging(25);
    expect(hangingSoles(actor.skeleton, soleOf(actor.skeleton, actor.body.roles))).toEqual({
      soleUp: {},
      ankleHeights: [null, null],
    });
  });
});
