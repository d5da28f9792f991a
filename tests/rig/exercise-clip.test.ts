import { describe, expect, it } from 'vitest';
import { auditInput } from '../../src/convert/audit.ts';
import { rotateVecInverse } from '../../src/math/quat.ts';
import type { Role, RoleMap } from '../../src/pairing/roles.ts';
import { EXERCISE_FPS, exerciseClip } from '../../src/rig/exercise-clip.ts';
import { framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { RANGES_OF_MOTION } from '../../src/skeleton/joint-ranges.ts';
import { createWorldPose, restWorldPose, type Skeleton } from '../../src/skeleton/skeleton.ts';
import { type FigureOptions, figure } from '../support/figure.ts';
import { HAS_RIGS, RIG_FILES, RIGS_REASON, readRig } from '../support/rigs.ts';

const DEGREES = 180 / Math.PI;
/** Float32 locals down a chain of ten joints gave at most 2e-6 m; a tenth of a millimetre is what can be seen. */
const PLACE_TOLERANCE = 1e-4;

function exerciseOf(options: FigureOptions) {
  const { skeleton, body, alignment } = figure(options);
  const exercise = exerciseClip(skeleton, body.roles, alignment.posture);
  return { skeleton, roles: body.roles, ...exercise };
}

/** Joint positions when a move is at its height. */
function heightOf({ skeleton, clip, heights }: ReturnType<typeof exerciseOf>, move: string): Float64Array {
  const pose = createWorldPose(skeleton.jointCount);
  const { frame } = heights.find((height) => height.move === move)!;
  framePose(skeleton, clip, frame, restLocalPose(skeleton), pose);
  return pose.positions;
}

function line(roles: RoleMap, positions: Float64Array, from: Role, to: Role): [number, number, number] {
  const [a, b] = [roles[from]! * 3, roles[to]! * 3];
  const v = [0, 1, 2].map((k) => positions[b + k]! - positions[a + k]!);
  const length = Math.hypot(...v);
  return [v[0]! / length, v[1]! / length, v[2]! / length];
}

const angle = (a: readonly number[], b: readonly number[]) =>
  Math.acos(Math.max(-1, Math.min(1, a[0]! * b[0]! + a[1]! * b[1]! + a[2]! * b[2]!))) * DEGREES;

const FIGURES: [string, FigureOptions][] = [
  ['a plain figure', { fingers: true }],
  ['rolled joint axes', { rollSeed: 7 }],
  ['arms down at rest', { restTurns: { leftUpperArm: [[0, 0, 1], -70], rightUpperArm: [[0, 0, 1], 70] } }],
  ['detached feet', { detachedFeet: true }],
  ['one spine joint', { spineJoints: 1 }],
];

describe.each(FIGURES)('the exercise clip on %s', (_, options) => {
  const exercise = exerciseOf(options);
  const { roles, clip, skeleton } = exercise;

  it('takes each joint where the move says', () => {
    const down = heightOf(exercise, 'arms down');
    // 10 degrees from hanging straight down, to the character's own side.
    expect(angle(line(roles, down, 'leftUpperArm', 'leftLowerArm'), [0, -1, 0])).toBeCloseTo(10, 0);
    expect(line(roles, down, 'leftUpperArm', 'leftLowerArm')[0]).toBeGreaterThan(0.1);
    expect(line(roles, down, 'rightUpperArm', 'rightLowerArm')[0]).toBeLessThan(-0.1);

    const bent = heightOf(exercise, 'elbows bent');
    const elbow = angle(
      line(roles, bent, 'leftUpperArm', 'leftLowerArm'),
      line(roles, bent, 'leftLowerArm', 'leftHand'),
    );
    // The canonical posture has straight limbs; the source of the range is the data itself.
    expect(elbow).toBeCloseTo(RANGES_OF_MOTION.elbowFlexion.max - 10, 0);
    // The forearms come to the front.
    expect(line(roles, bent, 'leftLowerArm', 'leftHand')[2]).toBeGreaterThan(0.5);

    const knees = heightOf(exercise, 'knees bent');
    expect(line(roles, knees, 'rightLowerLeg', 'rightFoot')[2]).toBeLessThan(-0.5);
    const raised = heightOf(exercise, 'knees raised');
    expect(line(roles, raised, 'leftUpperLeg', 'leftLowerLeg')[2]).toBeGreaterThan(0.8);
    const apart = heightOf(exercise, 'legs apart');
    expect(line(roles, apart, 'leftUpperLeg', 'leftLowerLeg')[0]).toBeCloseTo(Math.SQRT1_2, 1);
    const forward = heightOf(exercise, 'bent forward');
    const trunk = line(roles, forward, 'hips', 'head');
    expect(trunk[2]).toBeGreaterThan(0.3);
    const left = heightOf(exercise, 'bent to the left');
    expect(line(roles, left, 'hips', 'head')[0]).toBeGreaterThan(0.2);
    const turnedLeft = heightOf(exercise, 'turned to the left');
    // The left shoulder goes back when the chest turns to the left.
    expect(line(roles, turnedLeft, 'rightUpperArm', 'leftUpperArm')[2]).toBeLessThan(-0.3);
  });

  it('keeps every limb whole and a sole on the floor', () => {
    const rest = restWorldPose(skeleton).positions;
    const pose = createWorldPose(skeleton.jointCount);
    const scratch = restLocalPose(skeleton);
    const pairs: [Role, Role][] = [
      ['leftUpperLeg', 'leftLowerLeg'],
      ['leftLowerLeg', 'leftFoot'],
      ['rightLowerLeg', 'rightFoot'],
      ['leftLowerArm', 'leftHand'],
    ];
    const length = (positions: Float64Array, [a, b]: [Role, Role]) =>
      Math.hypot(...[0, 1, 2].map((k) => positions[roles[a]! * 3 + k]! - positions[roles[b]! * 3 + k]!));
    const soles = (['leftFoot', 'rightFoot', 'leftToes', 'rightToes'] as const).map((role) => roles[role]!);
    for (let f = 0; f < clip.frameCount; f += 7) {
      framePose(skeleton, clip, f, scratch, pose);
      for (const pair of pairs)
        expect(Math.abs(length(pose.positions, pair) - length(rest, pair))).toBeLessThan(PLACE_TOLERANCE);
      const heights = soles.map((joint) => pose.positions[joint * 3 + 1]! - rest[joint * 3 + 1]!);
      expect(Math.abs(Math.min(...heights))).toBeLessThan(PLACE_TOLERANCE);
    }
  });

  it('starts and ends at rest, lasts some seconds, and never turns a joint by more than 25 degrees a frame', () => {
    expect(clip.frameCount / EXERCISE_FPS).toBeGreaterThan(10);
    expect(clip.frameCount / EXERCISE_FPS).toBeLessThan(30);
    const size = clip.jointCount * 4;
    expect(clip.rotations.subarray(0, size)).toEqual(clip.rotations.subarray((clip.frameCount - 1) * size));
    let most = 0;
    for (let f = 1; f < clip.frameCount; f++)
      for (let j = 0; j < clip.jointCount; j++) {
        const [a, b] = [(f - 1) * size + j * 4, f * size + j * 4];
        let dot = 0;
        for (let k = 0; k < 4; k++) dot += clip.rotations[a + k]! * clip.rotations[b + k]!;
        most = Math.max(most, 2 * Math.acos(Math.min(1, Math.abs(dot))) * DEGREES);
      }
    // A half cosine over ten frames is steepest in its middle: π/2 · 140 degrees / 10 frames = 22.
    expect(most).toBeLessThan(25);
    expect(most).toBeGreaterThan(15);
  });
});

describe(`the exercise clip on rigs${RIGS_REASON}`, () => {
  it.skipIf(!HAS_RIGS).each(RIG_FILES)('stays finite and whole on %s', async (file) => {
    const { character } = await readRig(file);
    const input = auditInput(character);
    if (!input.posture) {
      expect(input.body.humanoid).toBe(false);
      return;
    }
    const { clip, heights } = exerciseClip(input.skeleton, input.body.roles, input.posture);
    expect(heights.length).toBeGreaterThan(20);
    expect([...clip.rotations, ...clip.translations].every(Number.isFinite)).toBe(true);
    const { skeleton } = input;
    const rest = restWorldPose(skeleton);
    const pose = createWorldPose(skeleton.jointCount);
    for (const { frame } of heights) {
      framePose(skeleton, clip, frame, restLocalPose(skeleton), pose);
      for (const side of ['left', 'right'] as const)
        expectWhole(input.body.roles, skeleton, rest.rotations, rest.positions, pose, side);
    }
  });
});

/** The foot sits where it sits at rest, in the frame of the shin. */
function expectWhole(
  roles: RoleMap,
  skeleton: Skeleton,
  restRotations: Float64Array,
  restPositions: Float64Array,
  pose: { rotations: Float64Array; positions: Float64Array },
  side: 'left' | 'right',
): void {
  const [shin, foot] = [roles[`${side}LowerLeg`], roles[`${side}Foot`]];
  if (shin === undefined || foot === undefined) return;
  const seat = (rotations: Float64Array, positions: Float64Array) => {
    const out = Float64Array.from([0, 1, 2], (k) => positions[foot * 3 + k]! - positions[shin * 3 + k]!);
    rotateVecInverse(out, 0, rotations, shin * 4, out, 0);
    return out;
  };
  const was = seat(restRotations, restPositions);
  const is = seat(pose.rotations, pose.positions);
  const size = Math.hypot(...was);
  for (let k = 0; k < 3; k++) expect(Math.abs(is[k]! - was[k]!), skeleton.names[foot]).toBeLessThan(1e-4 * size);
}
