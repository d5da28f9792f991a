import { describe, expect, it } from 'vitest';
import { correctAlignment } from '../../src/alignment/corrections.ts';
import { rotateVec, rotateVecInverse } from '../../src/math/quat.ts';
import type { Correction } from '../../src/pairing/mapping.ts';
import type { Role } from '../../src/pairing/roles.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { createRetargeter, createTargetClip } from '../../src/retarget/retargeter.ts';
import { figure, wander } from '../support/figure.ts';

type Vec = readonly [number, number, number];

/** No component of a unit direction off by more: Float64 over a few products. */
const DIGITS = 9;

/** How the target's joint turns directions of the canonical posture while the performer stands in it. */
function turned(
  role: Role,
  correction: Correction,
  direction: Vec,
  options: Parameters<typeof figure>[0] = {},
): number[] {
  const source = figure();
  const plain = figure({ rollSeed: 5, ...options });
  const target = corrected(plain, { [role]: correction });
  const retargeter = createRetargeter(
    compileRetarget(source, target, { reach: { leftLeg: 0, rightLeg: 0, leftArm: 0, rightArm: 0 } }),
  );
  const still = wander(source, 1, 1, 0);
  retargeter.frame(still, 0, createTargetClip(retargeter.plan, 'still', 1, 1), 0);
  const joint = target.body.roles[role]!;
  // The source's rest pose is the canonical posture but for its bones' own slants, which this takes out.
  const out = Float64Array.from(direction);
  rotateVecInverse(out, 0, plain.alignment.posture, joint * 4, out, 0);
  rotateVec(out, 0, retargeter.worldRotations, joint * 4, out, 0);
  const lean = leanOf(source, role);
  rotateVecInverse(out, 0, lean, 0, out, 0);
  return [...out];
}

/** Rotation of the anatomical frame of a role in the source's rest pose. */
function leanOf(source: Actor, role: Role): Float64Array {
  const at = source.body.roles[role]! * 4;
  const posture = source.alignment.posture;
  return Float64Array.of(-posture[at]!, -posture[at + 1]!, -posture[at + 2]!, posture[at + 3]!);
}

function corrected(actor: Actor, corrections: Partial<Record<Role, Correction>>): Actor {
  return { ...actor, alignment: correctAlignment(actor.alignment, actor.skeleton, actor.body, corrections) };
}

function expectNear(actual: readonly number[], expected: readonly number[]): void {
  for (const [k, value] of expected.entries()) expect(actual[k]).toBeCloseTo(value, DIGITS);
}

const sin = (degrees: number) => Math.sin((degrees * Math.PI) / 180);
const cos = (degrees: number) => Math.cos((degrees * Math.PI) / 180);

describe('a correction turns its segment, seen in the T-pose', () => {
  const LEFT: Vec = [1, 0, 0];
  const RIGHT: Vec = [-1, 0, 0];
  const UP: Vec = [0, 1, 0];
  const DOWN: Vec = [0, -1, 0];
  const FRONT: Vec = [0, 0, 1];
  it.each<[string, Role, Correction, Vec, Vec]>([
    ['an arm raised', 'leftUpperArm', { swing: [0, 10] }, LEFT, [cos(10), sin(10), 0]],
    ['the other arm raised', 'rightUpperArm', { swing: [0, 10] }, RIGHT, [-cos(10), sin(10), 0]],
    ['an arm brought forward', 'rightUpperArm', { swing: [20, 0] }, RIGHT, [-cos(20), 0, sin(20)]],
    ['a forearm lowered', 'leftLowerArm', { swing: [0, -15] }, LEFT, [cos(15), -sin(15), 0]],
    ['a thigh lifted', 'leftUpperLeg', { swing: [30, 0] }, DOWN, [0, -cos(30), sin(30)]],
    ['a thigh taken aside', 'leftUpperLeg', { swing: [0, 8] }, DOWN, [sin(8), -cos(8), 0]],
    ['the other thigh taken aside', 'rightUpperLeg', { swing: [0, 8] }, DOWN, [-sin(8), -cos(8), 0]],
    ['a head bowed', 'head', { swing: [25, 0] }, UP, [0, cos(25), sin(25)]],
    ['a head leant to its left', 'head', { swing: [0, 12] }, UP, [sin(12), cos(12), 0]],
    ['toes lifted', 'leftFoot', { swing: [10, 0] }, FRONT, [0, sin(10), cos(10)]],
    ['toes turned out', 'rightFoot', { swing: [0, 10] }, FRONT, [-sin(10), 0, cos(10)]],
    ['a thigh turned out', 'leftUpperLeg', { twist: 20 }, FRONT, [sin(20), 0, cos(20)]],
    ['the other thigh turned out', 'rightUpperLeg', { twist: 20 }, FRONT, [-sin(20), 0, cos(20)]],
    ['a palm turned forward', 'leftHand', { twist: 90 }, DOWN, [0, 0, 1]],
    ['the other palm turned forward', 'rightHand', { twist: 90 }, DOWN, [0, 0, 1]],
    ['a head turned to its left', 'head', { twist: 30 }, FRONT, [sin(30), 0, cos(30)]],
    ['a foot with its top outward', 'leftFoot', { twist: 10 }, UP, [sin(10), cos(10), 0]],
    ['a swing that is both, about one axis', 'head', { swing: [3, 4] }, UP, [sin(5) * 0.8, cos(5), sin(5) * 0.6]],
  ])('%s', (_, role, correction, from, to) => {
    expectNear(turned(role, correction, from), to);
    // Rolled joint axes are none of its business.
    expectNear(turned(role, correction, from, { rollSeed: 9 }), to);
  });

  it('twist comes before swing', () => {
    const out = turned('leftUpperLeg', { swing: [90, 0], twist: 90 }, FRONT);
    // The front first turns to the left and then keeps that way while the thigh is lifted about it.
    expectNear(out, [1, 0, 0]);
  });
});

describe('the rest of the body', () => {
  it('stays as it was, and so does the alignment that was given', () => {
    const actor = figure({ fingers: true, splitLimbs: true });
    const before = actor.alignment.posture.slice();
    const after = correctAlignment(actor.alignment, actor.skeleton, actor.body, { leftUpperArm: { twist: 40 } });
    expect(actor.alignment.posture).toEqual(before);
    const changed = actor.skeleton.names.filter((_, j) =>
      [0, 1, 2, 3].some((k) => after.posture[j * 4 + k] !== before[j * 4 + k]),
    );
    // The joint in the middle of the upper arm has no role and goes along.
    expect(changed).toEqual(['leftUpperArm', 'leftArmMiddle']);
  });

  it('keeps the hinge of a limb where the canonical posture has it', () => {
    const actor = figure({ rollSeed: 2 });
    const after = correctAlignment(actor.alignment, actor.skeleton, actor.body, { rightUpperLeg: { twist: 25 } });
    const hinge = new Float64Array(3);
    rotateVec(hinge, 0, after.posture, actor.body.roles.rightUpperLeg! * 4, after.hinges, 3);
    expectNear([...hinge], [1, 0, 0]);
  });
});
