import { describe, expect, it } from 'vitest';
import type { RoleMap } from '../../src/pairing/roles.ts';
import type { Measure, ProofFigure } from '../../src/proof/measure.ts';
import { prove } from '../../src/proof/prove.ts';
import { type Clip, createClip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createWorldPose, type Skeleton } from '../../src/skeleton/skeleton.ts';
import { goingDown, KNEELING, type Posture, REST, SITTING } from '../support/going-down.ts';
import { axisAngle } from '../support/quat.ts';
import { skinBall } from '../support/skin-ball.ts';
import { buildWalker } from '../support/walker.ts';

/** Invented errors have to be measured to within 5 %. */
const SIZE_TOLERANCE = 0.05;
/** Thigh and shin of the closed-form figure, metres; its knee lies 2 cm before the line. */
const LEG = 2 * Math.hypot(0.41, 0.02);
/** How far the pelvis of a body that sways moves what it rests on, metres: 0.06 · (1 − cos 6°). */
const SWAY = 4e-4;

function heightOf(skeleton: Skeleton, clip: Clip, f: number, joint: number): number {
  const pose = createWorldPose(skeleton.jointCount);
  framePose(skeleton, clip, f, restLocalPose(skeleton), pose);
  return pose.positions[joint * 3 + 1]!;
}

/** Somebody who goes down onto skin that touches the floor there, and the same without skin as a source. */
function restingOn(posture: Posture): { target: ProofFigure; source: ProofFigure } {
  const { actor, clip } = goingDown(posture);
  const { skeleton } = actor;
  const { roles } = actor.body;
  const middle = Math.round((REST[0] + REST[1]) / 2);
  const skins =
    posture === SITTING
      ? [skinBall(skeleton, roles.hips!, [0, -0.06, 0], heightOf(skeleton, clip, middle, roles.leftUpperLeg!))]
      : [roles.leftLowerLeg!, roles.rightLowerLeg!].map((knee) =>
          skinBall(skeleton, knee, [0, 0, 0], heightOf(skeleton, clip, middle, knee)),
        );
  return { target: { skeleton, clip, roles, skins }, source: { skeleton, clip, roles } };
}

/** A copy that is moved up in some frames: at once, or little by little. */
function raised(
  figure: ProofFigure,
  [first, last]: readonly [number, number],
  by: number,
  way: 'at once' | 'slowly' = 'at once',
): ProofFigure {
  const translations = figure.clip.translations.slice();
  for (let f = first; f <= last; f++)
    translations[f * 3 + 1]! += way === 'slowly' ? (by * (f - first)) / (last - first) : by;
  return { ...figure, clip: { ...figure.clip, translations } };
}

function take(id: 'body-penetration' | 'body-float', target: ProofFigure, source?: ProofFigure): Measure {
  return prove(target, source).measures.find((measure) => measure.id === id)!;
}

function expectSize(value: number | null, metres: number): void {
  expect(Math.abs((value! * LEG) / metres - 1), `${value! * LEG} against ${metres}`).toBeLessThan(SIZE_TOLERANCE);
}

/** While it is down and for some frames more, so that the rest as the proof finds it is covered. */
const DOWN = [60, 210] as const;

describe.each([
  ['a knee', KNEELING, { role: 'leftLowerLeg', joint: 'leftLowerLeg', note: /^knee, vertex \d+ of ball$/ }],
  ['a seat', SITTING, { role: 'hips', joint: 'hips', note: /^seat, vertex \d+ of ball$/ }],
] as const)('%s that rests on the floor', (_, posture, where) => {
  const { target, source } = restingOn(posture);

  it('is neither in the floor nor over it when it touches it', () => {
    for (const its of [source, undefined]) {
      expect(take('body-float', target, its)).toMatchObject({ verdict: 'pass', where: [] });
      expect(take('body-float', target, its).value! * LEG).toBeLessThan(SWAY);
      const parts = take('body-penetration', target, its).details.parts as Record<string, number>;
      expect(parts[posture === SITTING ? 'seat' : 'leftKnee']! * LEG).toBeLessThan(SWAY);
    }
  });

  it('is found sunk by 20 mm, and by how much', () => {
    const sunk = take('body-penetration', raised(target, DOWN, -0.02), source);
    const places = sunk.where.filter(({ role }) => role === where.role);
    expect(places).toHaveLength(1);
    expectSize(places[0]!.value, 0.02);
    expect(sunk.verdict).toBe('fail');
    expect(places[0]).toMatchObject({ joint: where.joint, note: expect.stringMatching(where.note) });
    expect(places[0]!.frames[0]).toBeLessThanOrEqual(REST[0]);
    expect(places[0]!.frames[1]).toBeGreaterThanOrEqual(REST[1]);
  });

  it('is found 20 mm over the floor, and by how much', () => {
    const floating = take('body-float', raised(target, DOWN, 0.02), source);
    expect(floating.verdict).toBe('fail');
    expectSize(floating.value, 0.02);
    expect(floating.where[0]).toMatchObject({ joint: where.joint, note: expect.stringMatching(where.note) });
    expect(floating.remedy).toMatch(/contact/);
  });

  it('may get up with its source, and with nobody else', () => {
    const early = [REST[1] - 30, REST[1]] as const;
    const up = raised(target, early, 0.03, 'slowly');
    expect(take('body-float', up, raised(source, early, 0.03, 'slowly')).value! * LEG).toBeLessThan(SWAY);
    expectSize(take('body-float', up, source).details.worst as number, 0.03);
  });

  it('is not judged where nothing rests', () => {
    const standing = createClip('stand', 60, 1 / 60, target.skeleton.jointCount, [0]);
    for (let f = 0; f < 60; f++) {
      standing.rotations.set(target.skeleton.restRotations, f * target.skeleton.jointCount * 4);
      standing.translations.set(target.skeleton.restTranslations.subarray(0, 3), f * 3);
    }
    const still = { ...target, clip: standing };
    expect(take('body-float', still, still)).toMatchObject({ verdict: 'not measured' });
    expect(take('body-penetration', still, still)).toMatchObject({ verdict: 'pass', value: 0 });
  });

  it('without a mesh is judged by its joint where that is in the floor, and by nothing else', () => {
    const bare = { ...target, skins: [] };
    expect(take('body-float', bare, source)).toMatchObject({
      verdict: 'not measured',
      notMeasured: 'there is no mesh that tells where the skin is',
    });
  });
});

describe('hands', () => {
  const { skeleton, roles, legLength } = buildWalker();
  /** Hips, spine, chest and shoulder of the rest pose: how high a hand is that is held out, metres. */
  const HAND_HEIGHT = 0.9 + 0.1 + 0.15 + 0.12;

  /** Arms out to the sides and the body lowered until the hands are so high, in the second half of the clip. */
  function lowered(height: number): ProofFigure {
    const clip = createClip('low', 60, 1 / 60, skeleton.jointCount, [roles.hips!]);
    for (let f = 0; f < 60; f++) {
      for (let j = 0; j < skeleton.jointCount; j++)
        clip.rotations.set(axisAngle(0, 1, 0, 0), (f * skeleton.jointCount + j) * 4);
      const down = f < 30 ? 0 : HAND_HEIGHT - height;
      clip.translations.set([0, skeleton.restTranslations[roles.hips! * 3 + 1]! - down, 0], f * 3);
    }
    return { skeleton, clip, roles: withoutLegsInTheFloor(roles) };
  }

  /** The seat goes through the floor here: without its role it is not judged. */
  function withoutLegsInTheFloor({ hips: _, ...others }: RoleMap): RoleMap {
    return others;
  }

  const handsOf = (target: ProofFigure, source?: ProofFigure): Measure['where'] =>
    take('body-penetration', target, source).where.filter(({ role }) => role.endsWith('Hand'));

  it.each([0.02, 0.05])('that go %d m into the floor are found, and by how much', (depth) => {
    const places = handsOf(lowered(-depth), lowered(0.1));
    expect(places.map(({ role }) => role).sort()).toEqual(['leftHand', 'rightHand']);
    for (const place of places) {
      expect(Math.abs((place.value * legLength) / depth - 1)).toBeLessThan(SIZE_TOLERANCE);
      expect(place).toMatchObject({ frames: [30, 59], note: 'hand' });
    }
  });

  it('that touch the floor are no fault, nor what the source itself has in the floor', () => {
    expect(handsOf(lowered(0.001), lowered(0.001))).toEqual([]);
    expect(handsOf(lowered(-0.05), lowered(-0.05))).toEqual([]);
    const deeper = handsOf(lowered(-0.07), lowered(-0.05));
    for (const { value } of deeper) expect(Math.abs((value * legLength) / 0.02 - 1)).toBeLessThan(SIZE_TOLERANCE);
    expect(deeper).toHaveLength(2);
  });
});
