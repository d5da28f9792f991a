import { describe, expect, it } from 'vitest';
import { calmPelvis, calmPelvisNote } from '../../src/convert/calm-pelvis.ts';
import { angleBetweenQuats, axisAngleQuat, mulQuat } from '../../src/math/quat.ts';
import type { Role } from '../../src/pairing/roles.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { type Clip, createClip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';
import { figure } from '../support/figure.ts';

const FPS = 60;
const SECONDS = 12;
const performer = figure();
/**
 * Thighs and shins a quarter as long, over ankles as high: hips 3.9 times as far apart against the legs. A pelvis may swing
 * them twice as far as the performer's.
 */
const broad = compileRetarget(performer, figure({ legs: 0.25 }));
const alike = compileRetarget(performer, figure({ legs: 0.6 }));
const { hips } = performer.body.roles;

/** The hips turn about up by one function of seconds and about the way they face by another, degrees; all else rests. */
function turning(yaw: (t: number) => number, roll: (t: number) => number): Clip {
  const { skeleton } = performer;
  const frames = FPS * SECONDS;
  const clip = createClip('turning', frames, 1 / FPS, skeleton.jointCount, []);
  const [up, front, turn] = [new Float64Array(4), new Float64Array(4), new Float64Array(4)];
  for (let f = 0; f < frames; f++) {
    clip.rotations.set(skeleton.restRotations, f * skeleton.jointCount * 4);
    axisAngleQuat(up, 0, 0, 1, 0, (yaw(f / FPS) * Math.PI) / 180);
    axisAngleQuat(front, 0, 0, 0, 1, (roll(f / FPS) * Math.PI) / 180);
    mulQuat(turn, 0, up, 0, front, 0);
    mulQuat(turn, 0, turn, 0, skeleton.restRotations, hips! * 4);
    clip.rotations.set(turn, (f * skeleton.jointCount + hips!) * 4);
  }
  return clip;
}

function worldRotation(clip: Clip, f: number, role: Role): Float64Array {
  const { skeleton, body } = performer;
  const pose = createWorldPose(skeleton.jointCount);
  framePose(skeleton, clip, f, restLocalPose(skeleton), pose);
  const joint = body.roles[role]!;
  return pose.rotations.slice(joint * 4, joint * 4 + 4);
}

/** Largest angle between two clips at a joint, degrees; the first and last two seconds apart, where a filter settles. */
function largestTurn(a: Clip, b: Clip, role: Role): number {
  let largest = 0;
  for (let f = 2 * FPS; f < (SECONDS - 2) * FPS; f += 5)
    largest = Math.max(
      largest,
      (angleBetweenQuats(worldRotation(a, f, role), 0, worldRotation(b, f, role), 0) * 180) / Math.PI,
    );
  return largest;
}

describe('a pelvis that carries broad hips', () => {
  const still = () => 0;
  const swaying = (t: number) => 6 * Math.sin(2 * Math.PI * 1.5 * t);

  it('swings half as far where the hips are twice as broad as they may be; legs and spine point where they did', () => {
    const given = turning(still, swaying);
    const calm = calmPelvis(broad, given);
    // What is left of the 6 degrees, and what is gone.
    const left = (6 * 2) / 3.9;
    expect(largestTurn(calm, turning(still, still), 'hips')).toBeCloseTo(left, 1);
    expect(largestTurn(calm, given, 'hips')).toBeCloseTo(6 - left, 1);
    for (const role of ['leftUpperLeg', 'rightUpperLeg', 'spine'] as const)
      expect(largestTurn(calm, given, role)).toBeLessThan(0.01);
  });

  it('turns with the body, slowly or in a spin', () => {
    for (const yaw of [(t: number) => 15 * t, (t: number) => 720 * t]) {
      const given = turning(yaw, still);
      expect(largestTurn(calmPelvis(broad, given), given, 'hips')).toBeLessThan(0.5);
    }
  });

  it('is left as it is where the hips are not so broad, and nothing is told', () => {
    const given = turning(still, swaying);
    expect(calmPelvis(alike, given)).toBe(given);
    expect(calmPelvisNote(alike)).toBeNull();
    expect(calmPelvisNote(broad)?.message).toContain('3.9 times as far apart');
  });
});
