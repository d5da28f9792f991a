import { describe, expect, it } from 'vitest';
import { createLimbTargets, type LimbTargets } from '../../src/retarget/limb-targets.ts';
import { compileRetarget, type RetargetPlan } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import { createRetargeter } from '../../src/retarget/retargeter.ts';
import type { Clip } from '../../src/skeleton/clip.ts';
import { figure, seeded, wander } from '../support/figure.ts';
import { realPlan } from '../support/real-job.ts';
import { HAS_RIGS, RIG_FILES, RIGS_REASON, rigTruth } from '../support/rigs.ts';

const FRAMES = 12;

/** Frames of a plan whose left and right arm, or legs, are asked to go somewhere near the hips in every other frame. */
function ledTargets(plan: RetargetPlan, limbs: readonly number[]): LimbTargets {
  const random = seeded(3);
  const targets = createLimbTargets(FRAMES);
  for (let f = 0; f < FRAMES; f += 2) {
    for (const limb of limbs) {
      for (let k = 0; k < 3; k++) targets.positions[(f * 4 + limb) * 3 + k] = (k === 1 ? plan.dstGround : 0) + random();
      targets.positionWeights[f * 4 + limb] = 1;
    }
  }
  return targets;
}

/** Leading the arms over the clip without targets has to give what the whole figure gives with them: the same numbers. */
function expectArmsAlike(plan: RetargetPlan, src: Clip): void {
  const targets = ledTargets(plan, [2, 3]);
  const whole = retargetClip(plan, src, targets);
  const patched = retargetClip(plan, src);
  expect(plan.limbs.some(({ limb }) => limb >= 2)).toBe(true);
  expect(patched.rotations).not.toEqual(whole.rotations);
  const arms = createRetargeter(plan, 'arms');
  for (let f = 0; f < FRAMES; f++) arms.frame(src, f, patched, f, targets);
  expect(patched.rotations).toEqual(whole.rotations);
  expect(patched.translations).toEqual(whole.translations);
}

function expectLegsAlike(plan: RetargetPlan, src: Clip): void {
  const targets = ledTargets(plan, [0, 1]);
  const whole = createRetargeter(plan);
  const legs = createRetargeter(plan, 'legs');
  const jointCount = plan.target.skeleton.jointCount;
  for (let f = 0; f < FRAMES; f++) {
    whole.pose(src, f, targets);
    legs.pose(src, f, targets);
    for (const { limb, dstUpper, dstLower, dstEnd, dstToes } of plan.limbs) {
      if (limb >= 2) continue;
      const end = dstEnd >= 0 ? dstEnd : jointCount + limb;
      for (const j of [dstUpper, dstLower, end]) {
        expect(legs.worldPositions.slice(j * 3, j * 3 + 3)).toEqual(whole.worldPositions.slice(j * 3, j * 3 + 3));
      }
      for (const j of [dstUpper, dstLower, dstEnd, dstToes].filter((joint) => joint >= 0)) {
        expect(legs.worldRotations.slice(j * 4, j * 4 + 4)).toEqual(whole.worldRotations.slice(j * 4, j * 4 + 4));
      }
    }
  }
}

describe('a part of a figure retargeted alone', () => {
  it.each([
    ['a figure with fingers', { fingers: true }],
    ['split limbs', { splitLimbs: true, fingers: true }],
    ['feet under a root joint', { detachedFeet: true, legs: 0.8 }],
  ])('%s: arms and legs get the numbers that the whole figure gets', (_, options) => {
    const performer = figure({ fingers: true });
    const plan = compileRetarget(performer, figure({ ...options, rollSeed: 5 }));
    const clip = wander(performer, FRAMES, 2);
    expectArmsAlike(plan, clip);
    expectLegsAlike(plan, clip);
  });

  // Without its mesh the arms of boxman have no end, and are not led.
  const rigs = !HAS_RIGS
    ? ['absent']
    : RIG_FILES.filter((file) => rigTruth()[file]!.humanoid && !/draco|boxman/.test(file));
  it.skipIf(!HAS_RIGS).each(rigs)(`%s gets them too${RIGS_REASON}`, (rig) => {
    const { plan, clip } = realPlan('zup_wave_hello.bvh', rig);
    const start = { ...clip, frameCount: FRAMES };
    expectArmsAlike(plan, start);
    expectLegsAlike(plan, start);
  });
});
