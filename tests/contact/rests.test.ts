import { describe, expect, it } from 'vitest';
import type { LevelFoot } from '../../src/contact/level-foot.ts';
import { restsOf } from '../../src/contact/rests.ts';
import type { ContactInterval } from '../../src/skeleton/contact-interval.ts';

const FRAME = 1 / 120; // s
const point = { at: new Float64Array(3), height: 0 };
const level = { heel: point, ball: point } as unknown as LevelFoot;

/** Contacts given in frames, and the rests that are made of them, by heel and ball. */
function rested(heel: [number, number][], ball: [number, number][]): Record<'heel' | 'ball', [number, number][]> {
  const seconds = (spans: [number, number][]): ContactInterval[] =>
    spans.map(([first, last]) => ({ start: first * FRAME, end: last * FRAME, confidence: 1 }));
  const rests = restsOf({ heel: seconds(heel), ball: seconds(ball), foot: [] }, level, 300, FRAME);
  const of = (which: 'heel' | 'ball') =>
    rests.filter((rest) => rest.point === which).map(({ span }): [number, number] => [span.first, span.last]);
  return { heel: of('heel'), ball: of('ball') };
}

describe('rests of a foot that goes from one end to the other', () => {
  it('meet where the second begins soon after the first has ended', () => {
    expect(rested([[10, 100]], [[104, 150]])).toEqual({ heel: [[10, 104]], ball: [[104, 150]] });
  });

  it('meet where the second end has rested before, while the first did', () => {
    // Else the two, placed each for itself, were next to each other without a frame between: the foot jumped there.
    expect(
      rested(
        [[10, 100]],
        [
          [12, 70],
          [101, 150],
        ],
      ),
    ).toEqual({
      heel: [[10, 101]],
      ball: [
        [12, 70],
        [101, 150],
      ],
    });
  });

  it('stay as they are where the foot leaves the ground between, or the first rests on', () => {
    expect(rested([[10, 100]], [[130, 150]]).heel).toEqual([[10, 100]]);
    expect(
      rested(
        [
          [10, 50],
          [58, 90],
        ],
        [[60, 150]],
      ).heel,
    ).toEqual([
      [10, 50],
      [58, 90],
    ]);
  });
});
