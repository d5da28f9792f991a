import { describe, expect, it } from 'vitest';
import { alignFigure } from '../../src/alignment/alignment.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import { createTargetClip } from '../../src/retarget/retargeter.ts';
import { framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';
import { figure } from '../support/figure.ts';

/** The knee of these figures is bent by so much at rest, degrees. */
const REST_BEND = kneeOf(0, 1, 1);

/** Flexion of the left knee, degrees, on a figure with longer thighs and shorter shins, when the performer's is flexed so far. */
function kneeOf(flexion: number, thighs: number, shins: number): number {
  const bent = figure({ restTurns: { leftUpperLeg: [[1, 0, 0], -70], leftLowerLeg: [[1, 0, 0], flexion] } });
  const motion = createTargetClip(compileRetarget(bent, bent), 'bent', 1, 1 / 60);
  motion.rotations.set(bent.skeleton.restRotations);
  motion.translations.set(bent.skeleton.restTranslations.subarray(0, 3));
  const { skeleton, body } = figure();
  const restTranslations = skeleton.restTranslations.slice();
  for (const [joint, factor] of [
    [body.roles.leftLowerLeg!, thighs],
    [body.roles.leftFoot!, shins],
  ] as const)
    for (let k = 0; k < 3; k++) restTranslations[joint * 3 + k]! *= factor;
  const own = { ...skeleton, restTranslations };
  const target = { skeleton: own, body, alignment: alignFigure(own, body, [0.08, 0.08]) };
  const pose = createWorldPose(own.jointCount);
  framePose(own, retargetClip(compileRetarget(bent, target), motion), 0, restLocalPose(own), pose);
  const { leftUpperLeg, leftLowerLeg, leftFoot } = body.roles;
  const between = (a: number, b: number): number[] =>
    [0, 1, 2].map((k) => pose.positions[b * 3 + k]! - pose.positions[a * 3 + k]!);
  const thigh = between(leftUpperLeg!, leftLowerLeg!);
  const shin = between(leftLowerLeg!, leftFoot!);
  const cosine = thigh.reduce((sum, x, k) => sum + x * shin[k]!, 0) / (Math.hypot(...thigh) * Math.hypot(...shin));
  return (Math.acos(Math.max(-1, Math.min(1, cosine))) * 180) / Math.PI;
}

describe('a leg that the performer folds', () => {
  it('folds as far where the proportions agree', () => {
    expect(kneeOf(155, 1, 1)).toBeCloseTo(155 + REST_BEND, 1);
  });

  it('does not close like a pocket knife where thigh and shin differ', () => {
    // Thigh 1.3 and shin 0.7 times as long: closed, the ankle is still farther from the hip than the performer's, scaled.
    // The limit lies halfway, as a distance, from the performer's flexion to the closed leg (law of cosines).
    const [thigh, shin] = [1.3 * 0.41, 0.7 * 0.41];
    const spanAt = (degrees: number): number =>
      Math.sqrt(thigh ** 2 + shin ** 2 + 2 * thigh * shin * Math.cos((degrees * Math.PI) / 180));
    const limit = (spanAt(155 + REST_BEND) + thigh - shin) / 2;
    const most = Math.acos((limit ** 2 - thigh ** 2 - shin ** 2) / (2 * thigh * shin)) * (180 / Math.PI);
    const knee = kneeOf(155, 1.3, 0.7);
    expect(knee).toBeGreaterThan(155 + REST_BEND);
    expect(knee).toBeLessThan(most + 0.5);
    expect(most).toBeLessThan(168);
  });

  it('leaves a leg that is bent less as its reach asks', () => {
    // By the same law the knee of unequal segments is bent more at the same share of its length.
    expect(kneeOf(90, 1.3, 0.7)).toBeGreaterThan(92 + REST_BEND);
  });
});
