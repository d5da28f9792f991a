import { describe, expect, it } from 'vitest';
import { feetOfMotion, soleOf } from '../../src/contact/measure-soles.ts';
import { plantFeet } from '../../src/contact/plants.ts';
import { rotateVec } from '../../src/math/quat.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import { type Clip, createClip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { SIDES } from '../../src/skeleton/side.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';
import type { SkinMesh } from '../../src/skeleton/skin.ts';
import { axisAngle } from '../support/quat.ts';
import { skinBall } from '../support/skin-ball.ts';
import { withLegs } from '../support/with-legs.ts';

const FRAMES = 121;
const FPS = 60;
const ALL = [{ start: 0, end: 2, confidence: 1 }];
const STANDING = { heel: ALL, ball: ALL, foot: ALL };
const ANKLE = 0.08; // m
const THICK = 0.15; // m, from the middle of a knee to its skin
const SUNK = 0.005; // m. Flesh gives way by as much where it bears weight (common practice, no source).

/** Squats with both feet flat where they stand: thighs up by 125 degrees, knees folded by 150. */
function squatting(performer: Actor): Clip {
  const { skeleton, body } = performer;
  const { roles } = body;
  const clip = createClip('squat', FRAMES, 1 / FPS, skeleton.jointCount, [roles.hips!]);
  for (let i = 3; i < clip.rotations.length; i += 4) clip.rotations[i] = 1;
  const segment = (joint: number, degrees: number): Float64Array => {
    const out = Float64Array.from(skeleton.restTranslations.subarray(joint * 3, joint * 3 + 3));
    rotateVec(out, 0, axisAngle(1, 0, 0, (degrees * Math.PI) / 180), 0, out, 0);
    return out;
  };
  for (let f = 0; f < FRAMES; f++) {
    const share = 0.5 - 0.5 * Math.cos((2 * Math.PI * f) / (FRAMES - 1));
    const [thigh, knee] = [-125 * share, 150 * share];
    for (const side of SIDES)
      for (const [part, degrees] of [
        ['UpperLeg', thigh],
        ['LowerLeg', knee],
        ['Foot', -thigh - knee],
      ] as const)
        clip.rotations.set(
          axisAngle(1, 0, 0, (degrees * Math.PI) / 180),
          (f * skeleton.jointCount + roles[`${side}${part}`]!) * 4,
        );
    const hip = skeleton.restTranslations.subarray(roles.leftUpperLeg! * 3);
    const upper = segment(roles.leftLowerLeg!, thigh);
    const lower = segment(roles.leftFoot!, thigh + knee);
    clip.translations.set([0, ANKLE - upper[1]! - lower[1]! - hip[1]!, -upper[2]! - lower[2]! - hip[2]!], f * 3);
  }
  return clip;
}

/** Height of one joint in each frame, metres. */
function heightsOf({ skeleton }: Actor, clip: Clip, joint: number): number[] {
  const pose = createWorldPose(skeleton.jointCount);
  const local = restLocalPose(skeleton);
  return Array.from({ length: clip.frameCount }, (_, f) => {
    framePose(skeleton, clip, f, local, pose);
    return pose.positions[joint * 3 + 1]!;
  });
}

describe('knees of a deep squat', () => {
  it('stay over the floor where thighs are long that the performer has short, and feet stay flat', () => {
    const performer = withLegs(0.85, 1.15);
    const target = withLegs(1.2, 0.8);
    const clip = squatting(performer);
    const plan = compileRetarget(performer, target);
    const feet = feetOfMotion(performer.skeleton, clip, performer.body.roles);
    const contacts = { left: STANDING, right: STANDING };
    const { targets } = plantFeet(plan, clip, contacts, soleOf(target.skeleton, target.body.roles), feet);
    const own = retargetClip(plan, clip, targets);
    const { leftLowerLeg, rightLowerLeg, leftFoot } = target.body.roles;
    expect(Math.min(...heightsOf(performer, clip, performer.body.roles.leftLowerLeg!))).toBeGreaterThan(0.4);
    expect(Math.min(...heightsOf(target, retargetClip(plan, clip), leftLowerLeg!))).toBeLessThan(0);
    for (const knee of [leftLowerLeg!, rightLowerLeg!]) {
      const heights = heightsOf(target, own, knee);
      // The middle of a knee is some 5 cm from its skin (common practice, no source).
      expect(Math.min(...heights)).toBeGreaterThan(0.05);
      // And they come down, and go up again, as smoothly as by the plain retarget.
      const bends = (values: number[]) => values.slice(2).map((y, i) => Math.abs(y - 2 * values[i + 1]! + values[i]!));
      expect(Math.max(...bends(heights))).toBeLessThan(
        Math.max(...bends(heightsOf(target, retargetClip(plan, clip), knee))),
      );
    }
    for (const y of heightsOf(target, own, leftFoot!)) expect(y).toBeCloseTo(ANKLE, 2);
  });

  it('stay over the floor by their skin, however thick it is', () => {
    const performer = withLegs(0.85, 1.15);
    const target = withLegs(1.2, 0.8);
    const clip = squatting(performer);
    const plan = compileRetarget(performer, target);
    const feet = feetOfMotion(performer.skeleton, clip, performer.body.roles);
    const { leftLowerLeg, rightLowerLeg, leftFoot } = target.body.roles;
    const skins = [leftLowerLeg!, rightLowerLeg!].map((knee) => skinBall(target.skeleton, knee, [0, 0, 0], THICK));
    const soles = soleOf(target.skeleton, target.body.roles);
    const lowestWith = (meshes: SkinMesh[]): number => {
      const contacts = { left: STANDING, right: STANDING };
      const own = retargetClip(plan, clip, plantFeet(plan, clip, contacts, soles, feet, {}, meshes).targets);
      for (const y of heightsOf(target, own, leftFoot!)) expect(y).toBeCloseTo(ANKLE, 2);
      return Math.min(...[leftLowerLeg!, rightLowerLeg!].flatMap((knee) => heightsOf(target, own, knee)));
    };
    expect(lowestWith([])).toBeLessThan(THICK - 0.05);
    expect(lowestWith(skins)).toBeGreaterThan(THICK - SUNK);
  });
});
