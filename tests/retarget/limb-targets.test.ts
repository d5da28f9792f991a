import { describe, expect, it } from 'vitest';
import { createLimbTargets } from '../../src/retarget/limb-targets.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import { createTargetClip } from '../../src/retarget/retargeter.ts';
import { framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';
import { figure } from '../support/figure.ts';

/** Float32 locals of a leg of 0.82 m near its full length: the law of cosines turns 1e-7 into 1e-4 of a bend. */
const SAME_SHARE = 1e-4;

/** From hip to ankle, as a share of the leg, when its target lies straight below at so much of its length. */
function extensionOf(wanted: number, reach: number): number {
  const actor = figure({ restTurns: { leftUpperLeg: [[1, 0, 0], -40], leftLowerLeg: [[1, 0, 0], 70] } });
  const plan = compileRetarget(actor, figure());
  const motion = createTargetClip(compileRetarget(actor, actor), 'bent', 1, 1 / 60);
  const { skeleton, body } = plan.target;
  motion.rotations.set(actor.skeleton.restRotations);
  motion.translations.set(actor.skeleton.restTranslations.subarray(0, 3));
  const { leftUpperLeg: hip, leftFoot: ankle } = body.roles;
  const pose = createWorldPose(skeleton.jointCount);
  const local = restLocalPose(skeleton);
  framePose(skeleton, retargetClip(plan, motion), 0, local, pose);
  const targets = createLimbTargets(1);
  const { length } = plan.limbs.find(({ limb }) => limb === 0)!;
  for (let k = 0; k < 3; k++) targets.positions[k] = pose.positions[hip! * 3 + k]! - (k === 1 ? wanted * length : 0);
  targets.positionWeights[0] = 1;
  targets.reaches[0] = reach;
  framePose(skeleton, retargetClip(plan, motion, targets), 0, local, pose);
  return Math.hypot(...[0, 1, 2].map((k) => pose.positions[hip! * 3 + k]! - pose.positions[ankle! * 3 + k]!)) / length;
}

describe('the target of a limb', () => {
  it('is met up to the reach that it asks for, and softened beyond', () => {
    expect(Math.abs(extensionOf(0.99, 0.995) - 0.99)).toBeLessThan(SAME_SHARE);
    const softened = extensionOf(0.999, 0.985);
    expect(softened).toBeGreaterThan(0.985);
    expect(softened).toBeLessThan(0.998);
  });

  it('is softened from 98 % of the limb on where it asks for nothing', () => {
    expect(Math.abs(extensionOf(0.97, 0) - 0.97)).toBeLessThan(SAME_SHARE);
    expect(extensionOf(0.99, 0)).toBeLessThan(0.989);
  });
});
