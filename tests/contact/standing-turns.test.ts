import { describe, expect, it } from 'vitest';
import { type DetectedContacts, detectContacts } from '../../src/contact/detect.ts';
import type { FootPoints } from '../../src/contact/motion.ts';
import type { ContactInterval } from '../../src/skeleton/contact-interval.ts';
import { path, standing } from '../support/foot-paths.ts';

const FPS = 120;
const DURATION = 6; // s
const SCALE = 0.9; // m, leg length
const HEEL_TO_BALL = 0.18; // m
/** When the foot turns, or slides: slow beside the kicks, and faster than what is seen to stand. */
const MOVE = { start: 2.5, end: 3 };

/** A foot that kicks three times: beside its speed of 5 m/s and more, one of 0.4 m/s is still. */
function kicking(): FootPoints {
  const kicks = [1, 2.7, 4.5].flatMap((start) => [
    { start, end: start + 0.3, to: [0.1, 1, 0.9] as const },
    { start: start + 0.3, end: start + 0.6, to: [0.1, 0, 0] as const },
  ]);
  const heel = path(FPS, DURATION, [0.1, 0, 0], kicks);
  return { heel, ball: heel.map((v, i) => (i % 3 === 2 ? v + HEEL_TO_BALL : v)) };
}

/**
 * A foot on the floor that turns about +Y by an angle (degrees) and goes aside; it turns about a point so far (m) ahead of its
 * heel.
 */
function turning(degrees: number, pivot: number, aside = 0): FootPoints {
  const at = (ahead: number): Float64Array => {
    // The share of the way, as the paths of the other tests have it.
    const share = path(FPS, DURATION, [0, 0, 0], [{ ...MOVE, to: [1, 0, 0] }]);
    return share.map((_, i) => {
      const u = share[i - (i % 3)]!;
      const angle = (degrees * u * Math.PI) / 180;
      const arm = ahead - pivot;
      return [-0.2 + arm * Math.sin(angle) + aside * u, 0, pivot + arm * Math.cos(angle)][i % 3]!;
    });
  };
  return { heel: at(0), ball: at(HEEL_TO_BALL) };
}

function contactsWith(right: FootPoints): DetectedContacts['right'] {
  return detectContacts({ left: kicking(), right, fps: FPS, scale: SCALE }).right;
}

/** Whether the point is in contact in the middle of the move. */
const rests = (contacts: readonly ContactInterval[]) => contacts.some(({ start, end }) => start < 2.7 && end > 2.8);

describe('a foot that turns where it stands, slowly beside the kicks of the other', () => {
  it('turns on its heel while its ball leaves its place', () => {
    const { heel, ball } = contactsWith(turning(45, 0));
    expect(heel).toHaveLength(1);
    expect(ball).toHaveLength(2);
    expect(rests(ball)).toBe(false);
    // It has left within the move, and not before: it stands until it is seen to go.
    expect(ball[0]!.end).toBeGreaterThan(MOVE.start);
    expect(ball[1]!.start).toBeLessThan(MOVE.end);
  });

  it('turns on its ball while its heel leaves its place', () => {
    const { heel, ball } = contactsWith(turning(-45, HEEL_TO_BALL));
    expect(heel).toHaveLength(2);
    expect(ball).toHaveLength(1);
  });

  it('turns on the end that moves less, where both move', () => {
    const { heel, ball } = contactsWith(turning(70, 0.3 * HEEL_TO_BALL));
    expect(heel).toHaveLength(1);
    expect(ball).toHaveLength(2);
  });

  it.each([
    ['slides and heads where it did', turning(0, 0, 0.1)],
    ['slides and turns by less than 10 degrees', turning(8, 0.5 * HEEL_TO_BALL, 0.1)],
    ['stands', standing(FPS, DURATION, -0.2)],
  ])('keeps its place where it %s', (_, foot) => {
    const { heel, ball } = contactsWith(foot);
    expect(heel).toHaveLength(1);
    expect(ball).toHaveLength(1);
  });
});
