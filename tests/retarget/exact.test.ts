import { describe, expect, it } from 'vitest';
import { angleBetweenQuats } from '../../src/math/quat.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import type { Clip } from '../../src/skeleton/clip.ts';
import { type FigureOptions, figure, rolePositions, wander } from '../support/figure.ts';
import { axisAngle } from '../support/quat.ts';

/** rad. Float32 storage of unit quaternions: rounding of 6e-8 a component, down no chain as locals are compared. */
const SAME_ROTATION = 1e-5;
/** m. Float32 locals down 9 joints over 1.5 m. */
const SAME_PLACE = 1e-5;
const FRAMES = 40;

function worstRotation(actor: Actor, a: Clip, b: Clip): number {
  let worst = 0;
  const size = a.frameCount * actor.skeleton.jointCount;
  for (let i = 0; i < size; i++) worst = Math.max(worst, angleBetweenQuats(a.rotations, i * 4, b.rotations, i * 4));
  return worst;
}

function worstPlace(source: Actor, src: Clip, target: Actor, dst: Clip, scale = 1): number {
  let worst = 0;
  for (let f = 0; f < src.frameCount; f++) {
    const from = rolePositions(source, src, f);
    for (const [role, [x, y, z]] of rolePositions(target, dst, f)) {
      const p = from.get(role);
      if (p) worst = Math.max(worst, Math.hypot(p[0] * scale - x, p[1] * scale - y, p[2] * scale - z));
    }
  }
  return worst;
}

describe('retargeting onto the same body is exact', () => {
  const source = figure({ fingers: true });
  const motion = wander(source, FRAMES);

  it('gives the same motion back on the same skeleton', () => {
    const out = retargetClip(compileRetarget(source, source), motion);
    expect(worstRotation(source, motion, out)).toBeLessThan(SAME_ROTATION);
    expect(worstPlace(source, motion, source, out)).toBeLessThan(SAME_PLACE);
  });

  it('leaves the source clip as it was', () => {
    const before = motion.rotations.slice();
    retargetClip(compileRetarget(source, source), motion);
    expect(motion.rotations).toEqual(before);
  });

  it.each([0.05, 0.3, 3, 12])('gives the same rotations and a scaled root on a body %s times the size', (scale) => {
    const target = figure({ fingers: true, scale });
    const out = retargetClip(compileRetarget(source, target), motion);
    expect(worstRotation(source, motion, out)).toBeLessThan(SAME_ROTATION);
    expect(worstPlace(source, motion, target, out, scale) / scale).toBeLessThan(SAME_PLACE);
  });

  const sameBones: [string, FigureOptions][] = [
    ['rolled joint axes', { rollSeed: 7 }],
    ['arms hanging down in the rest pose', { restTurns: armsDown(80) }],
    ['an A-pose', { restTurns: armsDown(40) }],
    [
      'arms raised and forward in the rest pose',
      { restTurns: { leftUpperArm: [[0.36, -0.8, 0.48], 50], rightUpperArm: [[0.36, 0.8, -0.48], 50] } },
    ],
    ['legs spread over level feet', { restTurns: spreadLegs(18) }],
    ['rolled axes and an A-pose', { rollSeed: 3, restTurns: { ...armsDown(35), ...spreadLegs(10) } }],
    ['a joint inserted in each thigh and upper arm', { splitLimbs: true }],
    ['an inserted joint with rolled axes', { splitLimbs: true, rollSeed: 11 }],
    ['feet that hang under the root', { detachedFeet: true }],
    ['detached feet with rolled axes and spread legs', { detachedFeet: true, rollSeed: 5 }],
  ];
  it.each(sameBones)('gives the same world positions with %s', (_, options) => {
    const target = figure({ fingers: true, ...options });
    const out = retargetClip(compileRetarget(source, target), motion);
    expect(worstPlace(source, motion, target, out)).toBeLessThan(SAME_PLACE);
  });

  it.each(sameBones)('takes the motion back from a body with %s', (_, options) => {
    const other = figure({ fingers: true, ...options });
    const there = retargetClip(compileRetarget(source, other), motion);
    const back = retargetClip(compileRetarget(other, source), there);
    expect(worstRotation(source, motion, back)).toBeLessThan(10 * SAME_ROTATION);
  });
});

describe('bodies of other proportions', () => {
  const source = figure();
  const motion = wander(source, FRAMES, 4, 0.5);

  it.each([1, 2, 4, 5])(
    'keeps pelvis, chest and head in their world orientation with %s spine joints',
    (spineJoints) => {
      const target = figure({ spineJoints });
      const plan = compileRetarget(source, target);
      const out = retargetClip(plan, motion);
      const other = retargetClip(compileRetarget(target, source), out);
      // The source's hips, last spine joint and head drive the target's, and back: their directions must survive.
      for (let f = 0; f < FRAMES; f++) {
        const a = rolePositions(source, motion, f);
        const b = rolePositions(source, other, f);
        for (const [from, to] of [
          ['hips', 'leftUpperLeg'],
          ['leftShoulder', 'rightShoulder'],
          ['leftUpperArm', 'leftHand'],
        ] as const) {
          for (let k = 0; k < 3; k++) {
            const before = a.get(to)![k]! - a.get(from)![k]!;
            const after = b.get(to)![k]! - b.get(from)![k]!;
            expect(Math.abs(before - after)).toBeLessThan(SAME_PLACE);
          }
        }
      }
    },
  );

  const BEND = 20;

  /** World turns of the target's spine joints about z, degrees, while the source's joints lean by these. */
  function leansOf(performer: Actor, target: Actor, leans: readonly number[]): number[] {
    const { skeleton, body } = performer;
    const clip = wander(performer, 1, 1, 0);
    body.spineChain.forEach((joint, i) => {
      const local = (((leans[i] ?? 0) - (leans[i - 1] ?? 0)) * Math.PI) / 180;
      clip.rotations.set(axisAngle(0, 0, 1, local), joint * 4);
    });
    clip.translations.set(skeleton.restTranslations.subarray(0, 3));
    const out = retargetClip(compileRetarget(performer, target), clip);
    let lean = 0;
    return target.body.spineChain.map((joint) => {
      const [, , z, w] = out.rotations.subarray(joint * 4, joint * 4 + 4);
      lean += (2 * Math.atan2(z!, w!) * 180) / Math.PI;
      return lean;
    });
  }

  it.each([3, 4, 5])('one long spine joint leans as the short ones of %s do together', (spineJoints) => {
    // The second joint leans, the next ones stand straight again: what a capture makes of a bump in a suit.
    const [lean, last] = leansOf(figure({ spineJoints }), figure({ spineJoints: 2 }), [0, BEND]);
    // Spine joints stand over 0.3 m in equal steps, so that the long one is 0.15 m: its chord to the same height.
    const bent = Math.min(0.3 / spineJoints, 0.15 - 0.3 / spineJoints);
    const angle = (BEND * Math.PI) / 180;
    const chord = Math.atan2(bent * Math.sin(angle), 0.15 - bent + bent * Math.cos(angle)) * (180 / Math.PI);
    // Degrees. The last joint counts as far as to what it carries, which is not the same in both: shares differ by 6 %.
    expect(Math.abs(lean! - chord)).toBeLessThan(1.2);
    expect(last).toBeCloseTo(0, 3);
  });

  it("more spine joints share the performer's bend", () => {
    const leans = leansOf(figure({ spineJoints: 1 }), figure({ spineJoints: 5 }), [BEND]);
    expect(leans[4]).toBeCloseTo(BEND, 3);
    // Between the joint below and each one; the last is as long as the other four.
    leans.forEach((lean, i) => {
      expect(lean - (leans[i - 1] ?? 0)).toBeGreaterThan(1);
      expect(lean - (leans[i - 1] ?? 0)).toBeLessThan(0.6 * BEND);
    });
  });

  it.each([0.4, 0.7, 1.6])('stands at the height of its own legs when they are %s times as long', (legs) => {
    const target = figure({ legs });
    const still = wander(source, 2, 1, 0);
    still.translations.set(source.skeleton.restTranslations.subarray(0, 3), 0);
    const out = retargetClip(compileRetarget(source, target), still);
    const foot = rolePositions(target, out, 0).get('leftFoot')!;
    expect(foot[1]).toBeCloseTo(0.08, 5);
  });
});

function armsDown(degrees: number): NonNullable<FigureOptions['restTurns']> {
  return { leftUpperArm: [[0, 0, 1], -degrees], rightUpperArm: [[0, 0, 1], degrees] };
}

function spreadLegs(degrees: number): NonNullable<FigureOptions['restTurns']> {
  return {
    leftUpperLeg: [[0, 0, 1], degrees],
    rightUpperLeg: [[0, 0, 1], -degrees],
    leftFoot: [[0, 0, 1], -degrees],
    rightFoot: [[0, 0, 1], degrees],
  };
}
