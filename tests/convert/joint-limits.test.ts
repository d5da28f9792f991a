import { describe, expect, it } from 'vitest';
import { limitJoints, measureExcesses, rangeNotes } from '../../src/convert/joint-limits.ts';
import type { Role } from '../../src/pairing/roles.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import { type Clip, createClip } from '../../src/skeleton/clip.ts';
import { type FigureOptions, figure, rolePositions } from '../support/figure.ts';
import { axisAngle } from '../support/quat.ts';

type Vec = readonly [number, number, number];

/** A joint may pass its range by this much at most (degrees); it is reached only far beyond. */
const SOFT = 5;
/** Degrees. The figure's own bones slant at rest: its knees stand 2 cm ahead, which is a bend of 5.6 degrees. */
const CLOSE = 6;

/** One frame in which a joint of the T-pose is turned about an axis of the world, degrees; carried over to any rig. */
function posed(turns: Partial<Record<Role, readonly [Vec, number]>>, options: FigureOptions = {}) {
  const plain = figure();
  const clip = createClip('pose', 1, 1 / 30, plain.skeleton.jointCount, [plain.body.roles.hips!]);
  clip.translations.set(plain.skeleton.restTranslations.subarray(0, 3));
  for (let j = 0; j < clip.jointCount; j++) clip.rotations[j * 4 + 3] = 1;
  for (const [role, [[x, y, z], degrees]] of Object.entries(turns) as [Role, readonly [Vec, number]][]) {
    clip.rotations.set(axisAngle(x, y, z, (degrees * Math.PI) / 180), plain.body.roles[role]! * 4);
  }
  const actor = figure(options);
  const still = { leftLeg: 0, rightLeg: 0, leftArm: 0, rightArm: 0 };
  return { actor, clip: retargetClip(compileRetarget(plain, actor, { reach: still }), clip) };
}

function direction(actor: ReturnType<typeof figure>, clip: Clip, from: Role, to: Role): number[] {
  const places = rolePositions(actor, clip, 0);
  const [a, b] = [places.get(from)!, places.get(to)!];
  const length = Math.hypot(...[0, 1, 2].map((k) => b[k]! - a[k]!));
  return [0, 1, 2].map((k) => (b[k]! - a[k]!) / length);
}

const degreesBetween = (a: number[], b: number[]): number =>
  (Math.acos(
    Math.min(
      1,
      a.reduce((sum, x, k) => sum + x * b[k]!, 0),
    ),
  ) *
    180) /
  Math.PI;

describe.each<[string, FigureOptions]>([
  ['a plain rig', {}],
  [
    'a rig with rolled axes and an A-pose',
    { rollSeed: 6, restTurns: { leftUpperArm: [[0, 0, 1], -40], rightUpperArm: [[0, 0, 1], 40] } },
  ],
])('on %s', (_, options) => {
  it.each<[string, Role, Vec, number, string, number]>([
    // Ranges: RANGES_OF_MOTION, from Soucie et al. 2011 and AAOS.
    ['a knee folded too far', 'leftLowerLeg', [1, 0, 0], 170, 'kneeFlexion', 142],
    ['a knee bent backwards', 'rightLowerLeg', [1, 0, 0], -40, 'kneeFlexion', 0],
    ['an elbow folded too far', 'leftLowerArm', [0, -1, 0], 172, 'elbowFlexion', 150],
    ['an elbow bent backwards', 'rightLowerArm', [0, 1, 0], -35, 'elbowFlexion', 0],
    ['a foot pulled up', 'leftFoot', [-1, 0, 0], 70, 'ankleFlexion', 40],
    ['toes pointed', 'rightFoot', [-1, 0, 0], -85, 'ankleFlexion', -62],
    ['a thigh lifted', 'rightUpperLeg', [-1, 0, 0], 155, 'hipFlexion', 134],
    ['a thigh behind', 'leftUpperLeg', [-1, 0, 0], -55, 'hipFlexion', -30],
    ['a thigh aside', 'leftUpperLeg', [0, 0, 1], 70, 'hipAbduction', 45],
    ['the other thigh aside', 'rightUpperLeg', [0, 0, 1], -70, 'hipAbduction', 45],
    ['a thigh turned in', 'leftUpperLeg', [0, -1, 0], 80, 'hipRotation', 45],
    ['the other thigh turned out', 'rightUpperLeg', [0, -1, 0], 80, 'hipRotation', -45],
    ['a hand bent down', 'leftHand', [0, 0, -1], 95, 'wristFlexion', 80],
    ['a head bowed', 'head', [1, 0, 0], 75, 'neckFlexion', 45],
    ['a head leant to the right', 'head', [0, 0, 1], 75, 'neckBend', -45],
    ['a head turned to the left', 'head', [0, 1, 0], 100, 'neckRotation', 60],
    ['a chest turned to the right', 'upperChest', [0, 1, 0], -70, 'trunkRotation', -45],
    ['a trunk bent back', 'upperChest', [1, 0, 0], -50, 'trunkFlexion', -25],
  ])('%s is found, and brought back to its range', (_name, role, axis, degrees, range, limit) => {
    const { actor, clip } = posed({ [role]: [axis, degrees] }, options);
    const before = clip.rotations.slice();
    const { clip: limited, excesses } = limitJoints(actor, clip);
    expect(clip.rotations).toEqual(before);
    const found = excesses.find((excess) => excess.range === range)!;
    expect(found, `${range} among ${excesses.map((excess) => excess.range)}`).toBeDefined();
    expect(Math.abs(Math.abs(found.angle) - Math.abs(degrees))).toBeLessThan(CLOSE);
    expect(Math.sign(found.angle)).toBe(limit === 0 ? -1 : Math.sign(limit));
    // What is left is at the edge of the range.
    const left = limitJoints(actor, limited).excesses.find((excess) => excess.range === range)!;
    expect(left.excess).toBeLessThan(SOFT);
    expect(left.excess).toBeGreaterThan(0);
    expect(Math.abs(left.angle - limit)).toBeLessThan(SOFT);
  });

  it('leaves a motion inside of the ranges as it is: the very same clip', () => {
    const { actor, clip } = posed(
      {
        leftUpperLeg: [[-1, 0, 0], 80],
        leftLowerLeg: [[1, 0, 0], 100],
        rightUpperArm: [[0, 1, 0], 80],
        head: [[1, 0, 0], 30],
      },
      options,
    );
    const result = limitJoints(actor, clip);
    expect(result.excesses).toEqual([]);
    expect(result.clip).toBe(clip);
  });
});

it('a limit moves what is below along, and nothing else', () => {
  const { actor, clip } = posed({
    leftUpperLeg: [[-1, 0, 0], 160],
    leftLowerLeg: [[1, 0, 0], 60],
    rightUpperArm: [[0, 0, 1], 30],
  });
  const { clip: limited } = limitJoints(actor, clip);
  const thigh = (c: Clip) => direction(actor, c, 'leftUpperLeg', 'leftLowerLeg');
  const shin = (c: Clip) => direction(actor, c, 'leftLowerLeg', 'leftFoot');
  expect(degreesBetween(thigh(clip), shin(clip))).toBeCloseTo(degreesBetween(thigh(limited), shin(limited)), 3);
  expect(degreesBetween(thigh(clip), thigh(limited))).toBeGreaterThan(15);
  expect(direction(actor, limited, 'rightUpperArm', 'rightHand')).toEqual(
    direction(actor, clip, 'rightUpperArm', 'rightHand'),
  );
});

it('a hinge that is broken sideways is brought back to its axis', () => {
  const { actor, clip } = posed({ leftLowerLeg: [[0, 0, 1], 50] });
  const { clip: limited } = limitJoints(actor, clip);
  const bend = (c: Clip) =>
    degreesBetween(
      direction(actor, c, 'leftUpperLeg', 'leftLowerLeg'),
      direction(actor, c, 'leftLowerLeg', 'leftFoot'),
    );
  expect(bend(clip)).toBeGreaterThan(40);
  expect(bend(limited)).toBeLessThan(20 + SOFT + CLOSE);
});

it('passes from free to limited without a step', () => {
  // Steps of half a degree across the edge: what comes out never turns by more than goes in, and never back.
  let previous = -1;
  for (let degrees = 135; degrees < 160; degrees += 0.5) {
    const { actor, clip } = posed({ leftLowerLeg: [[1, 0, 0], degrees] });
    const { clip: limited } = limitJoints(actor, clip);
    const bend = degreesBetween(
      direction(actor, limited, 'leftUpperLeg', 'leftLowerLeg'),
      direction(actor, limited, 'leftLowerLeg', 'leftFoot'),
    );
    if (previous >= 0) {
      expect(bend - previous).toBeGreaterThan(-1e-3);
      expect(bend - previous).toBeLessThan(0.501);
    }
    previous = bend;
  }
});

it('tells a person what was left and that it is no medical statement', () => {
  const { actor, clip } = posed({ rightLowerLeg: [[1, 0, 0], 165] });
  const [note] = rangeNotes(actor, measureExcesses(actor, clip), false);
  expect(note).toMatchObject({ code: 'RANGE_LEFT', severity: 'info', place: { joint: 'rightLowerLeg', frame: 0 } });
  expect(note!.message).toMatch(/flexion of 17\d°.*142°.*not medical/);
});
