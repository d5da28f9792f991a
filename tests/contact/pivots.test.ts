import { describe, expect, it } from 'vitest';
import type { LevelFoot, SupportPoint } from '../../src/contact/level-foot.ts';
import { choosePivots, type Rest } from '../../src/contact/rests.ts';
import { axisAngle, product } from '../support/quat.ts';

const FRAMES = 31;
const IDENTITY = [0, 0, 0, 1];

/** A point of a foot whose own axes are those of the world while it is level and heads for +Z; its ankle is 8 cm up. */
function point(ahead: number): SupportPoint {
  return { at: Float64Array.of(0, -0.08, ahead), height: 0 };
}

const heel = point(-0.05);
const front = point(0.2);
const turningPoints = [point(0.17), point(0.14), point(0.11)];
const stiff: LevelFoot = {
  posture: Float64Array.from(IDENTITY),
  undo: Float64Array.from(IDENTITY),
  turn: Float64Array.from(IDENTITY),
  toesPosture: null,
  heel,
  ball: front,
  turningPoints,
  support: [heel, front],
  toeEnd: null,
};

/** The pivot that a contact gets on a foot that turns about one point, by an angle about +Y and toes down by another. */
function pivotOf(
  about: SupportPoint,
  turns: (t: number) => { spin: number; pitch: number },
  { level = stiff, kind = 'ball' as Rest['point'] } = {},
): SupportPoint {
  const feet = new Float64Array(FRAMES * 4);
  const ankles = new Float64Array(FRAMES * 3);
  for (let f = 0; f < FRAMES; f++) {
    const { spin, pitch } = turns(f / (FRAMES - 1));
    const turn = product(axisAngle(0, 1, 0, spin), axisAngle(1, 0, 0, pitch));
    feet.set(turn, f * 4);
    // The point stays at (3, 0, 5), wherever that puts the ankle.
    const arm = product(product(turn, [...about.at, 0]), [-turn[0]!, -turn[1]!, -turn[2]!, turn[3]!]);
    ankles.set([3 - arm[0]!, -arm[1]!, 5 - arm[2]!], f * 3);
  }
  const rest: Rest = {
    point: kind,
    span: { first: 0, last: FRAMES - 1 },
    pivot: level[kind],
    floor: 0,
    spot: [0, 0, 0],
  };
  choosePivots([rest], level, feet, ankles);
  return rest.pivot;
}

describe('where a stiff foot turns while its ball rests', () => {
  const spins = (t: number) => ({ spin: 1.5 * t, pitch: 0 });
  const rolls = (t: number) => ({ spin: 0, pitch: 0.6 * t });

  it('is the point that stays in place, for a foot that spins flat on the floor', () => {
    for (const about of [front, ...turningPoints]) expect(pivotOf(about, spins)).toBe(about);
  });

  it('is the front end for a foot that stands still', () => {
    expect(pivotOf(turningPoints[1]!, () => ({ spin: 0, pitch: 0 }))).toBe(front);
  });

  it('is the front end for a foot that rolls, though another point moved less: the front end would slide back', () => {
    for (const about of [front, ...turningPoints]) expect(pivotOf(about, rolls)).toBe(front);
  });

  it('is the point that stays in place where the heel hardly rises during a spin', () => {
    // Rolling lets the front end slide by 1 − cos 0.1 = 0.5 % of its distance from there; a spin about that point moves it by
    // 42 %: the root of 1 − (sin 0.75 / 0.75)².
    expect(pivotOf(turningPoints[1]!, (t) => ({ ...spins(t), pitch: 0.1 }))).toBe(turningPoints[1]);
  });

  it('stays as it was for a heel, and on a foot that rolls over its toes', () => {
    expect(pivotOf(turningPoints[1]!, spins, { kind: 'heel' })).toBe(heel);
    expect(pivotOf(turningPoints[1]!, spins, { level: { ...stiff, turningPoints: [] } })).toBe(front);
  });
});
