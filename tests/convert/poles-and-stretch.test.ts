import { describe, expect, it } from 'vitest';
import { alignFigure } from '../../src/alignment/alignment.ts';
import { findPoles, placePoles } from '../../src/convert/poles.ts';
import { stretchLimbs } from '../../src/convert/stretch.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { createLimbTargets } from '../../src/retarget/limb-targets.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import { type Clip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createWorldPose, restWorldPose } from '../../src/skeleton/skeleton.ts';
import { type Row, skeletonFrom } from '../support/biped.ts';
import { bodyOf, figure, wander } from '../support/figure.ts';

/** m. Float32 locals of a figure a metre from the origin, some joints down. */
const SAME_PLACE = 1e-5;

function posed(actor: Actor, clip: Clip, f: number) {
  const pose = createWorldPose(actor.skeleton.jointCount);
  framePose(actor.skeleton, clip, f, restLocalPose(actor.skeleton), pose);
  return pose;
}

/** A figure with pole targets under its root: one before the left knee, one behind the right elbow. */
function withPoles(): Actor {
  const base = figure({ detachedFeet: true });
  const { skeleton } = base;
  const rest = restWorldPose(skeleton).positions;
  const at = (name: string, ahead = 0): [number, number, number] => {
    const j = skeleton.names.indexOf(name) * 3;
    return [rest[j]!, rest[j + 1]!, rest[j + 2]! + ahead];
  };
  const rows: Row[] = skeleton.names.map((name, j) => {
    const p = skeleton.parents[j]!;
    return [name, p < 0 ? null : skeleton.names[p]!, at(name)];
  });
  rows.push(['kneePole', 'root', at('leftLowerLeg', 0.6)]);
  rows.push(['elbowPole', 'root', at('rightLowerArm', -0.5)]);
  const own = skeletonFrom(rows);
  const roles = Object.fromEntries(
    Object.entries(base.body.roles).map(([role, j]) => [role, own.names.indexOf(skeleton.names[j]!)]),
  );
  const body = bodyOf(own, roles, 1.7);
  body.helpers = ['kneePole', 'elbowPole'].map((name) => ({ joint: own.names.indexOf(name), kind: 'pole' }));
  return { skeleton: own, body, alignment: alignFigure(own, body, [0.08, 0.08]) };
}

describe('pole targets', () => {
  const source = figure();
  const motion = wander(source, 40, 2, 1.4);
  const target = withPoles();
  const plan = compileRetarget(source, target);
  const clip = retargetClip(plan, motion);
  const out = placePoles(plan, clip);
  const joint = (name: string) => target.skeleton.names.indexOf(name);

  it('go to the knee or elbow that they are nearest to', () => {
    expect(findPoles(plan).map(({ joint: pole, limb }) => [target.skeleton.names[pole], limb.limb])).toEqual([
      ['kneePole', 0],
      ['elbowPole', 3],
    ]);
  });

  it.each([
    ['kneePole', 'leftUpperLeg', 'leftLowerLeg', 'leftFoot', 0],
    ['elbowPole', 'rightUpperArm', 'rightLowerArm', 'rightHand', 3],
  ] as const)(
    '%s lies in the plane of the limb, a limb length off, on the side it bends to',
    (pole, upper, lower, end, limb) => {
      const { length } = plan.limbs.find((l) => l.limb === limb)!;
      let bent = 0;
      for (let f = 0; f < 40; f++) {
        const { positions } = posed(target, out, f);
        const p = (name: string) => [0, 1, 2].map((k) => positions[joint(name) * 3 + k]!);
        const minus = (a: number[], b: number[]) => a.map((x, k) => x - b[k]!);
        const dot = (a: number[], b: number[]) => a.reduce((sum, x, k) => sum + x * b[k]!, 0);
        const away = minus(p(pole), p(lower));
        expect(Math.abs(Math.hypot(...away) - length)).toBeLessThan(SAME_PLACE);
        const line = minus(p(end), p(upper));
        const off = minus(p(lower), p(upper));
        const along = dot(off, line) / dot(line, line);
        const aside = off.map((x, k) => x - along * line[k]!);
        // Square to the line where the limb is bent enough to have a plane of its own: 12 degrees.
        if (Math.hypot(...aside) < (0.12 * length) / 2) continue;
        bent++;
        expect(dot(away, aside) / (length * Math.hypot(...aside))).toBeGreaterThan(1 - 1e-4);
      }
      expect(bent).toBeGreaterThan(5);
    },
  );

  it('move nothing else, and a rig without them is left as it is', () => {
    const before = posed(target, clip, 20).positions;
    const after = posed(target, out, 20).positions;
    for (let j = 0; j < target.skeleton.jointCount; j++) {
      if (j === joint('kneePole') || j === joint('elbowPole')) continue;
      for (let k = 0; k < 3; k++) expect(Math.abs(before[j * 3 + k]! - after[j * 3 + k]!)).toBeLessThan(SAME_PLACE);
    }
    const plain = compileRetarget(source, source);
    expect(placePoles(plain, motion)).toBe(motion);
  });
});

describe.each([
  ['feet in the leg', {}],
  ['feet that hang under the root', { detachedFeet: true }],
])('stretching, with %s', (_, options) => {
  const source = figure();
  const target = figure({ ...options, rollSeed: 3 });
  const plan = compileRetarget(source, target);
  const motion = wander(source, 3, 1, 0);
  const leg = plan.limbs[0]!;

  /** A target that lies straight below the hip at so many leg lengths, held in the second frame. */
  function below(share: number) {
    const targets = createLimbTargets(3);
    const base = posed(target, retargetClip(plan, motion), 1).positions;
    const goal = [
      base[leg.dstUpper * 3]!,
      base[leg.dstUpper * 3 + 1]! - share * leg.length,
      base[leg.dstUpper * 3 + 2]!,
    ];
    targets.positions.set(goal, 4 * 3);
    targets.positionWeights[4] = 1;
    return { goal, targets, clip: retargetClip(plan, motion, targets) };
  }
  const missed = (clip: Clip, goal: number[]): number => {
    const { positions } = posed(target, clip, 1);
    return Math.hypot(...goal.map((x, k) => positions[leg.dstEnd * 3 + k]! - x));
  };

  it('reaches what lies beyond by less than is allowed', () => {
    const { goal, targets, clip } = below(1.03);
    expect(missed(clip, goal)).toBeGreaterThan(0.029 * leg.length);
    expect(missed(stretchLimbs(plan, clip, targets, 6), goal)).toBeLessThan(SAME_PLACE);
  });

  it('never stretches by more, and other frames not at all', () => {
    const { goal, targets, clip } = below(1.2);
    const out = stretchLimbs(plan, clip, targets, 4);
    const far = (c: Clip, f: number): number => {
      const { positions } = posed(target, c, f);
      return Math.hypot(...[0, 1, 2].map((k) => positions[leg.dstEnd * 3 + k]! - positions[leg.dstUpper * 3 + k]!));
    };
    expect(far(out, 1) / far(clip, 1)).toBeCloseTo(1.04, 5);
    expect(missed(out, goal)).toBeGreaterThan(0.1 * leg.length);
    for (const f of [0, 2]) expect(far(out, f)).toBeCloseTo(far(clip, f), 6);
  });

  it('does nothing where the target is reached, or nothing is allowed', () => {
    const near = below(0.9);
    expect(stretchLimbs(plan, near.clip, near.targets, 10)).toBe(near.clip);
    const beyond = below(1.03);
    expect(stretchLimbs(plan, beyond.clip, beyond.targets, 0)).toBe(beyond.clip);
  });
});
