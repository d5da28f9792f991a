import { describe, expect, it } from 'vitest';
import type { Measure, ProofFigure } from '../../src/proof/measure.ts';
import { prove } from '../../src/proof/prove.ts';
import { createClip } from '../../src/skeleton/clip.ts';
import type { SkinMesh } from '../../src/skeleton/skin.ts';
import { axisAngle } from '../support/quat.ts';
import { FPS, LOWER, reaching, SHOULDER, UPPER } from '../support/reaching.ts';
import { skinBall } from '../support/skin-ball.ts';
import { buildWalker } from '../support/walker.ts';

/** Invented errors have to be measured to within 5 %. */
const SIZE_TOLERANCE = 0.05;
const walker = buildWalker();

function contact(target: ProofFigure, source: ProofFigure): Measure {
  return prove(target, source).measures.find(({ id }) => id === 'self-contact')!;
}

function expectSize(value: number, size: number): void {
  expect(Math.abs(value / size - 1), `${value} against ${size}`).toBeLessThan(SIZE_TOLERANCE);
}

describe('hands that meet', () => {
  /** Arms ahead, forearms turned in by `inward` radians, for half a second. */
  function clap(inward: number): ProofFigure {
    const { skeleton, roles } = walker;
    const clip = createClip('clap', 30, 1 / 60, skeleton.jointCount, [roles.hips!]);
    for (let f = 0; f < 30; f++) {
      const at = f * skeleton.jointCount;
      for (let j = 0; j < skeleton.jointCount; j++) clip.rotations[(at + j) * 4 + 3] = 1;
      for (const [side, s] of [
        ['left', 1],
        ['right', -1],
      ] as const) {
        clip.rotations.set(axisAngle(0, 1, 0, (-s * Math.PI) / 2), (at + roles[`${side}UpperArm`]!) * 4);
        clip.rotations.set(axisAngle(0, 1, 0, -s * inward), (at + roles[`${side}LowerArm`]!) * 4);
      }
      clip.translations.set(skeleton.restTranslations.subarray(roles.hips! * 3, roles.hips! * 3 + 3), f * 3);
    }
    return { skeleton, clip, roles };
  }
  // Shoulders 0.32 m apart, forearms of 0.25 m: the hands meet at this angle.
  const together = Math.asin(0.16 / 0.25);

  it('keep contact when they do so on both', () => {
    expect(contact(clap(together), clap(together))).toMatchObject({ verdict: 'pass', value: 0 });
  });

  it('lose it by as much as they stay apart', () => {
    const lost = contact(clap(0), clap(together));
    expect(lost.verdict).toBe('fail');
    expectSize(lost.value! * walker.legLength, 0.32);
    expect(lost.where[0]).toMatchObject({
      role: 'leftHand',
      frames: [0, 29],
      note: 'away from rightHand (rightHand), the arm stretched out',
    });
  });

  it('are not judged where the source touches nothing', () => {
    expect(contact(clap(together), clap(0)).verdict).toBe('not measured');
  });
});

/** Thigh and shin. */
const LEG = 0.84;
/** Of a person of the tests the middle of the hip joints and the head joint; metres. */
const HIPS = 0.92;
const HEAD = 1.54;
/** From its toes to its head joint, and what its head and wrist are thick then: shares of `outline.ts` and `hand-length.ts`. */
const STATURE = 1.52;
const CROWN = 0.1 * STATURE;
const WRIST = 0.1 * 0.108 * STATURE;

/** A head 0.3 m high in place of a person's 0.15. */
const tallHead = ({ skeleton, roles }: ProofFigure): SkinMesh[] => [
  skinBall(skeleton, roles.head!, [0, 0.15, 0], 0.15),
];

describe('a hand on the head', () => {
  const on = (height: number) => () => [0, HEAD + height + WRIST + 0.01] as const;
  const source = reaching(30, on(CROWN));

  it('is where it was', () => {
    expect(contact(source, source)).toMatchObject({ verdict: 'pass', value: 0 });
  });

  it('is on a head that is twice as high', () => {
    const kept = contact(reaching(30, on(0.3), { skin: tallHead }), source);
    expect(kept).toMatchObject({ verdict: 'pass' });
    // Most of the skin of a ball is a little below its top.
    expect(kept.value! * LEG).toBeLessThan(0.02);
    expect(contact(reaching(30, on(0.3)), source).verdict).toBe('fail');
  });

  it('has a wrist farther off where the hand is larger', () => {
    // Hands of 0.5 m; half a wrist is a tenth of that.
    const skin = ({ skeleton, roles }: ProofFigure): SkinMesh[] => [
      skinBall(skeleton, roles.leftHand!, [0.25, 0, 0], 0.25),
    ];
    const kept = contact(reaching(30, on(CROWN + 0.05 - WRIST), { skin }), source);
    expect(kept.value! * LEG).toBeLessThan(0.005);
  });

  it('is off it by as much as there is between the two', () => {
    const lost = contact(reaching(30, on(CROWN + 0.15)), source);
    expect(lost.verdict).toBe('fail');
    expectSize(lost.value! * LEG, 0.15);
    expect(lost.where[0]).toMatchObject({ role: 'leftHand', frames: [0, 29], note: 'away from head (head)' });
  });

  it.each([
    ['rests on it where it hardly moves', 0.2, 'fail'],
    ['passes by where it does not slow down', 0.8, 'not measured'],
  ] as const)('%s', (_, speed, verdict) => {
    const across = (height: number) => (t: number) => [0.2 - speed * t, HEAD + height + WRIST + 0.01] as const;
    const frames = Math.round((0.4 / speed) * FPS);
    expect(contact(reaching(frames, across(CROWN + 0.15)), reaching(frames, across(CROWN))).verdict).toBe(verdict);
  });
});

describe('a hand at the hips', () => {
  /** Beside the hip joint, with half a thigh and half a wrist between; so far off that. */
  const beside = (off: number) => () => [0.09 + 0.05 * STATURE + WRIST + off, HIPS + 0.1] as const;
  const source = reaching(30, beside(0.01));

  it('is where it was, wherever a rig has its hips joint', () => {
    expect(contact(reaching(30, beside(0.01), { hips: 0.15 }), source)).toMatchObject({ verdict: 'pass', value: 0 });
  });

  it('is off them by as much as there is between the two', () => {
    const lost = contact(reaching(30, beside(0.16)), source);
    expect(lost.verdict).toBe('fail');
    expectSize(lost.value! * LEG, 0.15);
  });

  it('is not held to them where the arm only hangs down', () => {
    const hanging = reaching(30, () => [0.18, SHOULDER[1] - UPPER - LOWER + 1e-3]);
    expect(contact(reaching(30, beside(0.16)), hanging).verdict).toBe('not measured');
  });
});
