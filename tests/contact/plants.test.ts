import { describe, expect, it } from 'vitest';
import type { GroundReading } from '../../src/contact/detect.ts';
import { feetOfMotion, soleOf, soleOfMotion } from '../../src/contact/measure-soles.ts';
import { type PlantResult, plantFeet } from '../../src/contact/plants.ts';
import { footTrajectories } from '../../src/contact/trajectories.ts';
import { unreachedNotes } from '../../src/contact/unreached.ts';
import { axisAngleQuat, mulQuat, rotateVec } from '../../src/math/quat.ts';
import { sidedRole } from '../../src/pairing/roles.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import { type Clip, createClip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import type { ContactInterval, FootContacts } from '../../src/skeleton/contact-interval.ts';
import { SIDES, type Side } from '../../src/skeleton/side.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';
import { type FigureOptions, figure } from '../support/figure.ts';
import { buildWalker, type Walker, type WalkerOptions } from '../support/walker.ts';
import { walkerActor } from '../support/walker-actor.ts';

/** m on a leg of 0.8 m. Float32 keys down five joints: at most 1e-6 in the cases here, and a factor of ten. */
const SAME_SPOT = 1e-5;

interface Planted {
  walker: Walker;
  target: Actor;
  plain: Clip;
  clip: Clip;
  result: PlantResult;
}

function plant(walkerOptions: WalkerOptions, figureOptions: FigureOptions, contacts?: FootContacts): Planted {
  const walker = buildWalker(walkerOptions);
  return { walker, ...plantOn(walker, figure(figureOptions), contacts ?? walker.contacts) };
}

function plantOn(walker: Walker, target: Actor, contacts: FootContacts & { ground?: GroundReading }) {
  const plan = compileRetarget(walkerActor(walker), target);
  const soles = soleOf(target.skeleton, target.body.roles);
  const feet = feetOfMotion(walker.skeleton, walker.clip, walker.roles);
  const result = plantFeet(plan, walker.clip, contacts, soles, feet);
  return {
    target,
    result,
    plain: retargetClip(plan, walker.clip),
    clip: retargetClip(plan, walker.clip, result.targets),
  };
}

/** Paths of heel and toes joint of a foot by forward kinematics of the clip, frames × 3. */
function footPaths({ target, clip }: { target: Actor; clip: Clip }, side: Side) {
  const { skeleton, body } = target;
  const sole = soleOf(skeleton, body.roles)[side];
  const toes = body.roles[sidedRole(side, 'Toes')]!;
  const pose = createWorldPose(skeleton.jointCount);
  const local = restLocalPose(skeleton);
  const heel = new Float64Array(clip.frameCount * 3);
  const ball = new Float64Array(clip.frameCount * 3);
  const ankle = new Float64Array(clip.frameCount * 3);
  const offset = Float64Array.from(sole.rear);
  for (let f = 0; f < clip.frameCount; f++) {
    framePose(skeleton, clip, f, local, pose);
    rotateVec(heel, f * 3, pose.rotations, sole.joint * 4, offset, 0);
    for (let k = 0; k < 3; k++) {
      ankle[f * 3 + k] = pose.positions[sole.joint * 3 + k]!;
      heel[f * 3 + k]! += ankle[f * 3 + k]!;
      ball[f * 3 + k] = pose.positions[toes * 3 + k]!;
    }
  }
  return { heel, ball, ankle };
}

/** Largest distance of a path from where it is in the first of some frames. */
function drift(path: Float64Array, first: number, last: number): number {
  let most = 0;
  for (let f = first; f <= last; f++) {
    let square = 0;
    for (let k = 0; k < 3; k++) square += (path[f * 3 + k]! - path[first * 3 + k]!) ** 2;
    most = Math.max(most, Math.sqrt(square));
  }
  return most;
}

function largestDrift(planted: Planted): number {
  const { frameDuration } = planted.clip;
  let most = 0;
  for (const { side, point, start, end } of planted.result.plants) {
    const path = footPaths(planted, side)[point];
    most = Math.max(most, drift(path, Math.round(start / frameDuration), Math.round(end / frameDuration)));
  }
  return most;
}

function largestDistance(a: Float64Array, b: Float64Array): number {
  let most = 0;
  for (let at = 0; at < a.length; at += 3)
    most = Math.max(most, Math.hypot(a[at]! - b[at]!, a[at + 1]! - b[at + 1]!, a[at + 2]! - b[at + 2]!));
  return most;
}

/** Largest change of velocity from frame to frame, m/s². */
function acceleration(path: Float64Array, frameDuration: number): number {
  let most = 0;
  for (let f = 1; f + 1 < path.length / 3; f++) {
    let square = 0;
    for (let k = 0; k < 3; k++) square += (path[f * 3 - 3 + k]! - 2 * path[f * 3 + k]! + path[f * 3 + 3 + k]!) ** 2;
    most = Math.max(most, Math.sqrt(square) / frameDuration ** 2);
  }
  return most;
}

const BODIES: [string, WalkerOptions, FigureOptions][] = [
  ['the same proportions', {}, {}],
  ['legs of half the length', {}, { legs: 0.5 }],
  ['legs twice as long', {}, { legs: 2 }],
  ['a shin longer than its thigh', { thigh: 0.36, shin: 0.46 }, {}],
  ['a doll of 20 cm', {}, { scale: 0.12 }],
  ['rolled joints', {}, { rollSeed: 7 }],
  [
    'a rest pose that bends its knees',
    {},
    { restTurns: { leftUpperLeg: [[1, 0, 0], -20], leftLowerLeg: [[1, 0, 0], 25] } },
  ],
  ['detached feet', {}, { detachedFeet: true }],
  ['thighs of two joints', {}, { splitLimbs: true }],
];

describe('plantFeet on a walk in closed form', () => {
  it.each(BODIES)('%s: heel and ball of a standing foot stay on one spot', (_, walker, body) => {
    const planted = plant(walker, body);
    expect(planted.result.plants.length).toBeGreaterThan(8);
    expect(largestDrift(planted)).toBeLessThan(SAME_SPOT * (body.scale ?? 1) * Math.max(1, body.legs ?? 1));
    expect(planted.result.unreached).toEqual([]);
  });

  it.each(BODIES)('%s: no point of a foot is ever in the floor', (_, walker, body) => {
    const planted = plant(walker, body);
    for (const side of SIDES) {
      const { heel, ball } = footPaths(planted, side);
      for (const path of [heel, ball])
        for (let at = 1; at < path.length; at += 3) expect(path[at]!).toBeGreaterThan(-SAME_SPOT);
    }
  });

  it('stands on the floor, not above it', () => {
    const planted = plant({}, { legs: 0.7 });
    for (const { side, point, start, position } of planted.result.plants) {
      const path = footPaths(planted, side)[point];
      const f = Math.round(start / planted.clip.frameDuration);
      expect(Math.hypot(...position.map((v, k) => v - path[f * 3 + k]!))).toBeLessThan(SAME_SPOT);
      // The heel of the figure is on its sole, and so are its toes joints.
      expect(Math.abs(position[1])).toBeLessThan(SAME_SPOT);
    }
  });

  it('leaves a plant and comes to it without a jerk', () => {
    // The performer's own ankles reach 31 m/s² at heel strike; the target's may not be harder by more than a quarter.
    for (const legs of [0.6, 1, 1.5]) {
      const planted = plant({ fps: 120 }, { legs });
      const plain = { ...planted, clip: planted.plain };
      for (const side of SIDES) {
        const own = acceleration(footPaths(planted, side).ankle, 1 / 120);
        const before = acceleration(footPaths(plain, side).ankle, 1 / 120);
        expect(own, `${side}, legs ${legs}`).toBeLessThan(1.25 * before);
      }
    }
  });

  it('gives the same motion at 30, 60 and 120 frames a second', () => {
    const planted = [30, 60, 120].map((fps) => {
      const walker = buildWalker({ fps });
      return { walker, ...plantOn(walker, figure({ legs: 0.8 }), onFrames(walker.contacts, 30)) };
    }) as [Planted, Planted, Planted];
    for (const side of SIDES) {
      const paths = planted.map((one) => footPaths(one, side).ankle) as Float64Array[];
      for (let f = 0; f < planted[0].clip.frameCount; f++) {
        for (let k = 0; k < 3; k++) {
          // m. What is left comes from the slopes at the edges, which are read over one frame of 30 Hz and three of 120.
          expect(Math.abs(paths[0]![f * 3 + k]! - paths[2]![f * 12 + k]!)).toBeLessThan(0.004);
          expect(Math.abs(paths[1]![f * 6 + k]! - paths[2]![f * 12 + k]!)).toBeLessThan(0.0015);
        }
      }
    }
  });

  it('keeps a heel down that is said to rest, although the performer is up on the ball', () => {
    const walker = buildWalker();
    const heelOnly = (side: Side) => ({ ...walker.contacts[side], heel: walker.contacts[side].foot, ball: [] });
    const contacts = { left: heelOnly('left'), right: heelOnly('right') };
    const planted = { walker, ...plantOn(walker, figure(), contacts) };
    expect(planted.result.plants.length).toBeGreaterThan(4);
    expect(largestDrift(planted)).toBeLessThan(SAME_SPOT);
  });

  it('rolls from heel to ball without a frame in common', () => {
    const walker = buildWalker();
    const gap = ({ start, end, confidence }: ContactInterval) => ({ start: start + 0.3, end, confidence });
    const rolled = (side: Side) => {
      const { heel, foot } = walker.contacts[side];
      return {
        heel: heel.map(({ start }) => ({ start, end: start + 0.25, confidence: 1 })),
        ball: foot.map(gap),
        foot,
      };
    };
    const target = figure();
    const planted = { walker, ...plantOn(walker, target, { left: rolled('left'), right: rolled('right') }) };
    expect(largestDrift(planted)).toBeLessThan(SAME_SPOT);
    // Each ball comes down a foot's length from where its heel was, as in the rest pose.
    const rest = createWorldPose(target.skeleton.jointCount);
    const local = restLocalPose(target.skeleton);
    framePose(target.skeleton, createClip('rest', 0, 1, 0, []), 0, local, rest);
    const { leftFoot, leftToes } = target.body.roles;
    const rear = Float64Array.from(soleOf(target.skeleton, target.body.roles).left.rear);
    rotateVec(rear, 0, rest.rotations, leftFoot! * 4, rear, 0);
    const stride = Math.hypot(
      ...[0, 2].map((k) => rest.positions[leftToes! * 3 + k]! - rest.positions[leftFoot! * 3 + k]! - rear[k]!),
    );
    const left = planted.result.plants.filter(({ side }) => side === 'left');
    const rolls = left.flatMap((heel) =>
      left
        .filter(({ point, start }) => point === 'ball' && heel.point === 'heel' && Math.abs(start - heel.end) < 0.03)
        .map((ball) => [heel, ball] as const),
    );
    expect(rolls.length).toBeGreaterThan(1);
    for (const [heel, ball] of rolls)
      expect(Math.hypot(heel.position[0] - ball.position[0], heel.position[2] - ball.position[2])).toBeCloseTo(
        stride,
        5,
      );
  });

  it('stands on a step as high as the performer does, scaled', () => {
    const walker = buildWalker();
    const target = figure({ legs: 0.6 });
    const sole = soleOfMotion(walker.skeleton, walker.clip, walker.roles);
    const points = footTrajectories(walker.skeleton, walker.clip, sole);
    // The right foot walks along a kerb of 0.15 m, in the account of the floor that is given.
    const rests = [points.left.heel, points.left.ball, points.right.heel, points.right.ball].map((path) =>
      Math.min(...path.filter((_, i) => i % 3 === 1)),
    );
    const floor = {
      kind: 'level' as const,
      slopeX: 0,
      slopeZ: 0,
      rests: [rests[0]!, rests[1]!, rests[2]! - 0.15, rests[3]! - 0.15] as [number, number, number, number],
      tolerance: 0.016,
    };
    const ground = {
      floor,
      velocity: [0, 0, 0] as [number, number, number],
      velocitySource: 'still' as const,
      legLength: 0.82,
    };
    const { scale } = compileRetarget(walkerActor(walker), target);
    const { result } = plantOn(walker, target, { ...walker.contacts, ground });
    // m. The heel of the performer sinks in by some millimetres while it rolls.
    for (const { side, position } of result.plants)
      expect(Math.abs(position[1] - (side === 'right' ? 0.15 * scale : 0))).toBeLessThan(0.01);
  });

  it('moves and turns with the performer', () => {
    const walker = buildWalker();
    const target = figure({ legs: 0.7 });
    const straight = plantOn(walker, target, walker.contacts);
    const turned = plantOn({ ...walker, clip: turnedClip(walker, 2, [3, 0, -5]) }, target, walker.contacts);
    const { scale } = compileRetarget(walkerActor(walker), target);
    const turn = new Float64Array(4);
    axisAngleQuat(turn, 0, 0, 1, 0, 2);
    for (const side of SIDES) {
      const expected = footPaths(straight, side).ankle;
      for (let at = 0; at < expected.length; at += 3) {
        rotateVec(expected, at, turn, 0, expected, at);
        expected[at]! += 3 * scale;
        expected[at + 2]! -= 5 * scale;
      }
      // Both performers are measured over the clip in Float32.
      expect(largestDistance(footPaths(turned, side).ankle, expected)).toBeLessThan(5e-5);
    }
  });

  it('scales with the target', () => {
    const small = plant({}, { legs: 0.8 });
    const large = plant({}, { legs: 0.8, scale: 10 });
    for (const side of SIDES) {
      const expected = footPaths(small, side).ankle.map((v) => v * 10);
      expect(largestDistance(footPaths(large, side).ankle, expected)).toBeLessThan(2e-4);
    }
  });

  it('leaves a motion without contacts as it is', () => {
    const none = { heel: [], ball: [], foot: [] };
    const planted = plant({}, { legs: 0.6 }, { left: none, right: none });
    expect(planted.clip.rotations).toEqual(planted.plain.rotations);
    expect(planted.clip.translations).toEqual(planted.plain.translations);
  });

  it('keeps the bend of the knees: the pelvis gives way instead', () => {
    const planted = plant({}, {});
    const kneeOf = (clip: Clip, f: number): number => {
      const pose = createWorldPose(planted.target.skeleton.jointCount);
      framePose(planted.target.skeleton, clip, f, restLocalPose(planted.target.skeleton), pose);
      const { leftUpperLeg, leftFoot } = planted.target.body.roles;
      return Math.hypot(
        ...[0, 1, 2].map((k) => pose.positions[leftUpperLeg! * 3 + k]! - pose.positions[leftFoot! * 3 + k]!),
      );
    };
    // m. From hip to ankle; the foot of the figure is another than the walker's.
    for (let f = 0; f < planted.clip.frameCount; f++)
      expect(Math.abs(kneeOf(planted.clip, f) - kneeOf(planted.plain, f))).toBeLessThan(0.02);
  });

  it('tells what is out of reach, where and by how much', () => {
    const all = (end: number) => [{ start: 0, end, confidence: 1 }];
    const nailed = { heel: all(3), ball: all(3), foot: all(3) };
    // The walker goes 2 m in that time; its feet are said to stay.
    const { result } = plant({}, {}, { left: nailed, right: nailed });
    expect(result.unreached.length).toBeGreaterThan(0);
    for (const { share, distance, frames, start } of result.unreached) {
      expect(share).toBeGreaterThan(0.002);
      expect(distance / share).toBeCloseTo(0.82, 1);
      expect(start).toBeCloseTo(frames[0] / 60, 6);
    }
    // 0.35 of the leg is what the pelvis gives, and it stands still then: no other foot, no haste.
    expect(new Set(result.unreached.map(({ cause }) => cause))).toEqual(new Set(['shift limit']));
    const notes = unreachedNotes(result.unreached);
    expect(notes.map(({ code }) => code)).toEqual(['CONTACT_OUT_OF_REACH', 'CONTACT_OUT_OF_REACH']);
    expect(notes[0]!.message).toMatch(/left leg .* % of its length, in frames/);
  });

  it('tells feet that stand farther apart than both legs span', () => {
    const from = (start: number, end: number) => [{ start, end, confidence: 1 }];
    const nailed = (start: number, end: number) => ({ heel: from(start, end), ball: from(start, end), foot: [] });
    // Over 7.2 s the walker goes 4.8 m. Said to stand are the left foot at 1.3 m, where it is on average in the first 4 s,
    // and the right one at 3.7 m, where it is in the rest: two legs of 0.82 m span 1.64 m.
    const apart = plant({ cycles: 6 }, {}, { left: nailed(0, 4), right: nailed(3.9, 7.2) }).result.unreached;
    expect(apart.map(({ cause }) => cause)).toContain('other foot');
  });
});

/** Contacts that begin and end on frames of one rate. */
function onFrames(contacts: FootContacts, fps: number): FootContacts {
  const round = (list: readonly ContactInterval[]) =>
    list.map(({ start, end, confidence }) => ({
      start: Math.round(start * fps) / fps,
      end: Math.round(end * fps) / fps,
      confidence,
    }));
  const foot = ({ heel, ball, foot }: FootContacts[Side]) => ({
    heel: round(heel),
    ball: round(ball),
    foot: round(foot),
  });
  return { left: foot(contacts.left), right: foot(contacts.right) };
}

/** The walk, turned about the vertical and moved. */
function turnedClip({ clip, roles, skeleton }: Walker, angle: number, by: readonly number[]): Clip {
  const rotations = clip.rotations.slice();
  const translations = clip.translations.slice();
  const turn = new Float64Array(4);
  axisAngleQuat(turn, 0, 0, 1, 0, angle);
  const q = new Float64Array(4);
  const v = new Float64Array(3);
  for (let f = 0; f < clip.frameCount; f++) {
    const at = (f * skeleton.jointCount + roles.hips!) * 4;
    for (let k = 0; k < 4; k++) q[k] = rotations[at + k]!;
    mulQuat(q, 0, turn, 0, q, 0);
    rotations.set(q, at);
    for (let k = 0; k < 3; k++) v[k] = translations[f * 3 + k]!;
    rotateVec(v, 0, turn, 0, v, 0);
    for (let k = 0; k < 3; k++) translations[f * 3 + k] = v[k]! + by[k]!;
  }
  return { ...clip, rotations, translations };
}
