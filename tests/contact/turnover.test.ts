import { describe, expect, it } from 'vitest';
import { feetOfMotion, soleOf } from '../../src/contact/measure-soles.ts';
import { plantFeet } from '../../src/contact/plants.ts';
import { axisAngleQuat, invertQuat, mulQuat } from '../../src/math/quat.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import { type Clip, createClip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';
import { figure } from '../support/figure.ts';
import { axisAngle } from '../support/quat.ts';

const FPS = 120;
const RADIANS = Math.PI / 180;
const STANDS = [{ start: 0, end: 10, confidence: 1 }];
const CONTACTS = {
  left: { heel: [], ball: [], foot: [] },
  right: { heel: STANDS, ball: STANDS, foot: STANDS },
};

interface Turning {
  /** Where the figure faces, degrees. */
  heading: number;
  /** Pitch of the left foot against its shin in each frame, toes down positive; and how far it is rolled to its side. */
  pitches: readonly number[];
  roll: number;
}

/** Stands on its right leg and holds the left foot 11 cm over the floor, less than its own length, turning it as no ankle can. */
function turning({ heading, pitches, roll }: Turning): { performer: Actor; clip: Clip } {
  const performer = figure();
  const { skeleton, body } = performer;
  const { hips, leftUpperLeg, leftLowerLeg, leftFoot } = body.roles;
  const clip = createClip('turn over', pitches.length, 1 / FPS, skeleton.jointCount, [hips!]);
  for (let i = 3; i < clip.rotations.length; i += 4) clip.rotations[i] = 1;
  const set = (f: number, joint: number, q: ArrayLike<number>) =>
    clip.rotations.set(q, (f * skeleton.jointCount + joint) * 4);
  pitches.forEach((pitch, f) => {
    clip.translations.set(skeleton.restTranslations.subarray(hips! * 3, hips! * 3 + 3), f * 3);
    set(f, hips!, axisAngle(0, 1, 0, heading * RADIANS));
    set(f, leftUpperLeg!, axisAngle(1, 0, 0, -30 * RADIANS));
    set(f, leftLowerLeg!, axisAngle(1, 0, 0, 60 * RADIANS));
    const foot = new Float64Array(4);
    const rolled = new Float64Array(4);
    axisAngleQuat(foot, 0, 1, 0, 0, pitch * RADIANS);
    axisAngleQuat(rolled, 0, 0, 0, 1, roll * RADIANS);
    mulQuat(foot, 0, foot, 0, rolled, 0);
    set(f, leftFoot!, foot);
  });
  return { performer, clip };
}

/** What a joint does from frame to frame: the largest turn (degrees) of the joint, and against the one above. */
interface Turns {
  foot: number;
  toes: number;
  /** Largest change of pace of the ankle within a frame, as the proof measures jumps: share of the leg. */
  jump: number;
}

function turnsOf({ skeleton, body }: Actor, clip: Clip): Turns {
  const { leftLowerLeg, leftFoot, leftToes, hips } = body.roles;
  const pose = createWorldPose(skeleton.jointCount);
  const local = restLocalPose(skeleton);
  const poses = Array.from({ length: clip.frameCount }, (_, f) => {
    framePose(skeleton, clip, f, local, pose);
    return { rotations: pose.rotations.slice(), positions: pose.positions.slice() };
  });
  const bend = (joint: number, above: number) =>
    poses.map(({ rotations }) => {
      const q = new Float64Array(4);
      invertQuat(q, 0, rotations, above * 4);
      mulQuat(q, 0, q, 0, rotations, joint * 4);
      return q;
    });
  const most = (turns: Float64Array[]): number =>
    Math.max(
      ...turns.slice(1).map((q, i) => {
        const dot = q.reduce((sum, v, k) => sum + v * turns[i]![k]!, 0);
        return (2 * Math.acos(Math.min(1, Math.abs(dot)))) / RADIANS;
      }),
    );
  const ankle = (f: number, k: number) => poses[f]!.positions[leftFoot! * 3 + k]!;
  const leg = poses[0]!.positions[hips! * 3 + 1]!;
  let jump = 0;
  for (let f = 1; f + 1 < poses.length; f++) {
    const change = [0, 1, 2].map((k) => ankle(f - 1, k) - 2 * ankle(f, k) + ankle(f + 1, k));
    jump = Math.max(jump, Math.hypot(...change) / 2 / leg);
  }
  return { foot: most(bend(leftFoot!, leftLowerLeg!)), toes: most(bend(leftToes!, leftFoot!)), jump };
}

/** The same on a figure whose feet are two thirds longer for its legs. */
function onLongFeet(motion: Turning): { performers: Turns; own: Turns } {
  const { performer, clip } = turning(motion);
  const target = figure({ legs: 0.6 });
  const plan = compileRetarget(performer, target);
  const feet = feetOfMotion(performer.skeleton, clip, performer.body.roles);
  const { targets } = plantFeet(plan, clip, CONTACTS, soleOf(target.skeleton, target.body.roles), feet);
  return { performers: turnsOf(performer, clip), own: turnsOf(target, retargetClip(plan, clip, targets)) };
}

const slow = Array.from({ length: 241 }, (_, f) => 1.5 * f);
const slowBack = slow.map((pitch) => -pitch);
/** Over within five frames. */
const fast = Array.from({ length: 61 }, (_, f) => 200 / (1 + Math.exp(30 - f)));

describe('a foot that turns over near the floor', () => {
  const headings = [0, 77, -160];
  const ways = [slow, slowBack].flatMap((pitches) =>
    headings.flatMap((heading) => [0, 30].map((roll): Turning => ({ heading, pitches, roll }))),
  );

  it.each(ways)('turns as steadily as the performer’s, right round (heading $heading, rolled $roll)', (motion) => {
    const { performers, own } = onLongFeet(motion);
    expect(performers.foot).toBeCloseTo(1.5, 2);
    // Floor and ankle hold it back on one side and let it go on the other; 140 degrees where it flipped from 180 to −180.
    expect(own.foot).toBeLessThan(3 * performers.foot);
    expect(own.toes).toBeLessThan(4 * performers.foot);
  });

  it.each(headings)('does so quickly without a twitch of ankle or toes (heading %i)', (heading) => {
    const { performers, own } = onLongFeet({ heading, pitches: fast, roll: 10 });
    expect(performers.foot).toBeGreaterThan(40);
    expect(own.foot).toBeLessThan(1.25 * performers.foot);
    // As the proof judges pops and jumps; toes went by 41 degrees where each frame was taken for itself.
    expect(own.toes).toBeLessThan(5);
    expect(own.jump).toBeLessThan(0.02);
  });
});
