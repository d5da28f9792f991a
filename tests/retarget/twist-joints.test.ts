import { describe, expect, it } from 'vitest';
import { axisAngleQuat, mulInverseQuat, mulQuat } from '../../src/math/quat.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { createRetargeter, createTargetClip } from '../../src/retarget/retargeter.ts';
import { createClip } from '../../src/skeleton/clip.ts';
import { twistedArmActor } from '../support/twist-figure.ts';

const DEGREE = Math.PI / 180;
// Float32 locals down six joints.
const ANGLE_TOLERANCE = 0.01; // degrees

/** Twist of a joint against another, both at the identity at rest, about the bone from one joint to the next, degrees. */
function twistBetween(
  { skeleton }: Actor,
  world: Float64Array,
  [from, to]: readonly [string, string],
  bone: string,
): number {
  const index = (name: string): number => skeleton.names.indexOf(name);
  const relative = new Float64Array(4);
  mulInverseQuat(relative, 0, world, index(from) * 4, world, index(to) * 4);
  const end = index(bone);
  const axis = Float64Array.from(skeleton.restTranslations.subarray(end * 3, end * 3 + 3));
  const length = Math.hypot(...axis);
  for (let k = 0; k < 3; k++) axis[k]! /= length;
  const about = axis[0]! * relative[0]! + axis[1]! * relative[1]! + axis[2]! * relative[2]!;
  return (2 * Math.atan2(about, relative[3]!)) / DEGREE;
}

/** Turns one joint of the source about a bone, plays that on the target and gives the target's world rotations. */
function play(source: Actor, target: Actor, joint: string, bone: string, degrees: number): Float64Array {
  const { skeleton } = source;
  const clip = createClip('turn', 1, 1 / 30, skeleton.jointCount, []);
  clip.rotations.set(skeleton.restRotations);
  const [j, end] = [skeleton.names.indexOf(joint), skeleton.names.indexOf(bone)];
  const [x, y, z] = skeleton.restTranslations.subarray(end * 3, end * 3 + 3);
  const length = Math.hypot(x!, y!, z!);
  const turn = new Float64Array(4);
  axisAngleQuat(turn, 0, x! / length, y! / length, z! / length, degrees * DEGREE);
  clip.rotations.set(turn, j * 4);
  const plan = compileRetarget(source, target);
  const retargeter = createRetargeter(plan);
  retargeter.frame(clip, 0, createTargetClip(plan, 'out', 1, clip.frameDuration), 0);
  return retargeter.worldRotations;
}

describe('twist joints', () => {
  it('halfway along the forearm take half of what the hand turns', () => {
    const world = play(twistedArmActor(), twistedArmActor(), 'leftHand', 'leftHand', 60);
    const target = twistedArmActor();
    expect(twistBetween(target, world, ['leftLowerArm', 'leftHand'], 'leftHand')).toBeCloseTo(60, 2);
    const share = twistBetween(target, world, ['leftLowerArm', 'leftLowerArmTwist'], 'leftHand');
    expect(Math.abs(share - 30)).toBeLessThan(ANGLE_TOLERANCE);
  });

  it('halfway along the upper arm leave half of its turn to the shoulder', () => {
    const world = play(twistedArmActor(), twistedArmActor(), 'leftUpperArm', 'leftLowerArm', 40);
    const target = twistedArmActor();
    const share = twistBetween(target, world, ['leftUpperArm', 'leftUpperArmTwist'], 'leftLowerArm');
    expect(Math.abs(share + 20)).toBeLessThan(ANGLE_TOLERANCE);
  });

  it('count from rest, where the skin is bound, when the canonical hand is another one', () => {
    const target = twistedArmActor();
    const hand = target.skeleton.names.indexOf('leftHand');
    const roll = new Float64Array(4);
    axisAngleQuat(roll, 0, 1, 0, 0, 20 * DEGREE);
    mulQuat(target.alignment.posture, hand * 4, roll, 0, target.alignment.posture, hand * 4);
    const world = play(twistedArmActor(), target, 'leftHand', 'leftHand', 0);
    const turned = twistBetween(target, world, ['leftLowerArm', 'leftHand'], 'leftHand');
    expect(Math.abs(turned)).toBeGreaterThan(15);
    const share = twistBetween(target, world, ['leftLowerArm', 'leftLowerArmTwist'], 'leftHand');
    expect(Math.abs(share - turned / 2)).toBeLessThan(ANGLE_TOLERANCE);
  });
});
