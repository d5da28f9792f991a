import { describe, expect, it } from 'vitest';
import { detectContacts } from '../../src/contact/detect.ts';
import type { FootPoints } from '../../src/contact/motion.ts';
import type { ContactInterval } from '../../src/skeleton/contact-interval.ts';
import { type Move, path, standing } from '../support/foot-paths.ts';

/** m, leg length. Heights on one floor then differ by up to 18 mm, and a point is near it up to 40 mm. */
const SCALE = 0.9;
const FPS = 60;
const DURATION = 5;
/** m. Between the two. */
const BOARD = 0.03;
/** s. See the same of a walk in detect.test.ts. */
const EDGE_TOLERANCE = 0.06;

/** A foot from heel to ball along +Z. Each move takes 0.3 s and says how high heel and ball are then, and how far ahead. */
function foot(x: number, length: number, moves: readonly { at: number; heel: number; ball: number; ahead?: number }[]) {
  const point = (which: 'heel' | 'ball', z: number): Float64Array =>
    path(
      FPS,
      DURATION,
      [x, 0, z],
      moves.map(
        ({ at, ahead = 0, ...heights }): Move => ({ start: at, end: at + 0.3, to: [x, heights[which], z + ahead] }),
      ),
    );
  return { heel: point('heel', 0), ball: point('ball', length) };
}

function detect(left: FootPoints, right: FootPoints) {
  return detectContacts({ fps: FPS, left, right, scale: SCALE });
}

/** Seconds of a span that contacts cover. */
function covered(contacts: readonly ContactInterval[], from: number, to: number): number {
  return contacts.reduce((sum, { start, end }) => sum + Math.max(0, Math.min(end, to) - Math.max(start, from)), 0);
}

describe('a foot that is a little higher than the floor', () => {
  it('stands on a board beside the floor, though the other foot stands as well', () => {
    const onto = foot(0.1, 0.18, [
      { at: 3, heel: 0.1, ball: 0.1, ahead: 0.2 },
      { at: 3.3, heel: BOARD, ball: BOARD, ahead: 0.4 },
    ]);
    const found = detect(onto, standing(FPS, DURATION, -0.1));
    for (const point of ['heel', 'ball'] as const) {
      expect(covered(found.left[point], 3.6, DURATION)).toBeGreaterThan(DURATION - 3.6 - EDGE_TOLERANCE);
      expect(covered(found.left[point], 3.1, 3.5)).toBe(0);
    }
  });

  it('stands on its ball alone on the board on which the other foot stands', () => {
    const tiptoe = foot(0.1, 0.18, [
      { at: 2.5, heel: 0.2, ball: 0.1, ahead: 0.2 },
      { at: 2.8, heel: 0.13, ball: BOARD, ahead: 0.4 },
      { at: 4, heel: 0.1, ball: 0.1, ahead: 0.6 },
      { at: 4.3, heel: 0, ball: 0, ahead: 0.8 },
    ]);
    const flat = foot(-0.1, 0.18, [
      { at: 1.7, heel: 0.1, ball: 0.1, ahead: 0.2 },
      { at: 2, heel: BOARD, ball: BOARD, ahead: 0.4 },
    ]);
    const found = detect(tiptoe, flat);
    expect(covered(found.left.ball, 3.1, 4)).toBeGreaterThan(0.9 - 2 * EDGE_TOLERANCE);
    expect(covered(found.left.heel, 2.7, 4.3)).toBe(0);
    expect(covered(found.right.foot, 2.3, DURATION)).toBeGreaterThan(DURATION - 2.3 - EDGE_TOLERANCE);
  });

  it('hovers where only its ball is low and the other foot bears the body', () => {
    const hovering = foot(0.1, 0.18, [
      { at: 1, heel: 0.2, ball: 0.1, ahead: 0.2 },
      { at: 1.3, heel: 0.13, ball: BOARD, ahead: 0.4 },
      { at: 4, heel: 0.1, ball: 0.1, ahead: 0.6 },
      { at: 4.3, heel: 0, ball: 0, ahead: 0.8 },
    ]);
    const found = detect(hovering, standing(FPS, DURATION, -0.1));
    expect(covered(found.left.foot, 1.2, 4.3)).toBe(0);
  });

  it('has its heel up over a ball on the floor, at an angle that is none', () => {
    // 30 mm over 220 mm: 7.8 degrees, where a heel that is up begins at 10. The other foot is away, so this one bears all.
    const up = foot(0.1, 0.22, [
      { at: 1, heel: 0.08, ball: 0 },
      { at: 1.3, heel: BOARD, ball: 0 },
      { at: 4, heel: 0, ball: 0 },
    ]);
    const away = foot(-0.1, 0.22, [
      { at: 1, heel: 0.4, ball: 0.4 },
      { at: 4, heel: 0, ball: 0 },
    ]);
    const found = detect(up, away);
    expect(covered(found.left.ball, 0, DURATION)).toBeCloseTo(DURATION, 9);
    expect(covered(found.left.heel, 1.6, 4)).toBe(0);
  });

  it('stands on where its ball rises as slowly as one that rests, but not where its heel does', () => {
    // 30 mm in a second: 47 mm/s at most, where a point keeps still below 90. A step before tells how low it rests.
    const point = (z: number, height: number): Float64Array =>
      path(
        FPS,
        DURATION,
        [0.1, 0, z],
        [
          { start: 2, end: 2.5, to: [0.1, 0, z + 0.3], lift: 0.1 },
          { start: 3, end: 4, to: [0.1, height, z + 0.3] },
        ],
      );
    const rising = (heel: number, ball: number): FootPoints => ({ heel: point(0, heel), ball: point(0.22, ball) });
    const other = standing(FPS, DURATION, -0.1);
    expect(covered(detect(rising(0.2, BOARD), other).left.ball, 3, DURATION)).toBeCloseTo(DURATION - 3, 9);
    expect(covered(detect(rising(BOARD, 0), other).left.heel, 4, DURATION)).toBe(0);
  });
});

describe('a foot that keeps still high up while the other one moves', () => {
  /** Both feet leave the floor at 1 s, swing to and fro 0.4 m up, and are back at `back`; the left one pauses on its way. */
  function swing(back: number, pause: [number, number]) {
    const foot = (x: number, pauses: boolean): FootPoints => {
      const point = (z: number): Float64Array => {
        const moves: Move[] = [];
        for (let start = 1, ahead = 0.5; start < back - 0.35; start += 0.3, ahead = -ahead) {
          if (pauses && start > pause[0] && start < pause[1]) continue;
          moves.push({ start, end: start + 0.3, to: [x, 0.4, z + ahead] });
        }
        moves.push({ start: back - 0.3, end: back, to: [x, 0, z] });
        return path(FPS, back + 1, [x, 0, z], moves);
      };
      return { heel: point(0), ball: point(0.18) };
    };
    return detect(foot(0.1, true), foot(-0.1, false));
  }

  it('stands on a step if it was on the floor shortly before', () => {
    expect(covered(swing(5.8, [1.5, 2.4]).left.foot, 1.3, 5.4)).toBeGreaterThan(0.6);
  });

  it('hangs in the air if neither foot was on the floor for 1.5 s before and after', () => {
    expect(covered(swing(6.4, [3.1, 4]).left.foot, 1.3, 6)).toBe(0);
  });
});
