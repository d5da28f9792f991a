import { describe, expect, it } from 'vitest';
import type { FootPoints, Measure, ProofFigure } from '../../src/proof/measure.ts';
import { prove } from '../../src/proof/prove.ts';
import { moved } from '../support/altered-clip.ts';
import { buildWalker, type Walker } from '../support/walker.ts';

/** A walk over a floor that is captured higher from step to step: by 3 to 5 % of the leg at the last but one of each foot. */
const uneven = buildWalker({ rise: 0.016 });

function figure({ skeleton, clip, roles }: Walker): ProofFigure {
  return { skeleton, clip, roles };
}

function reach(target: ProofFigure, source: Walker): Measure {
  return prove(target, figure(source)).measures.find(({ id }) => id === 'limb-target-feet')!;
}

/** The walk with its left foot a tenth of the leg aside, at some times (s). */
function aside(walker: Walker, when: (time: number) => boolean): ProofFigure {
  const clip = moved(walker, walker.roles.leftFoot!, (f) => {
    return when(f * walker.clip.frameDuration) ? [0.1 * walker.legLength, 0, 0] : [0, 0, 0];
  });
  return { ...figure(walker), clip };
}

describe('feet that reach', () => {
  const stances = uneven.contacts.left.foot;

  it('are not looked at while they stand on a floor that is captured too high', () => {
    const { start, end } = stances.at(-2)!;
    expect(
      reach(
        aside(uneven, (t) => t >= start && t <= end),
        uneven,
      ).value,
    ).toBeLessThan(0.001);
  });

  it('are found off while they swing', () => {
    const swings = (t: number) => stances.every(({ start, end }) => t < start || t > end);
    const off = reach(aside(uneven, swings), uneven);
    expect(off.verdict).toBe('fail');
    expect(off.where[0]!.role).toBe('leftFoot');
    for (const { frames } of off.where) {
      expect(swings(frames[0] * uneven.clip.frameDuration)).toBe(true);
      expect(swings(frames[1] * uneven.clip.frameDuration)).toBe(true);
    }
  });
});

describe('what a long foot takes its ankle away by', () => {
  const walker = buildWalker();
  /** Of the walker: the ankle is 8 cm over the sole, the ball 14 cm ahead of it, the toe end 20 cm, the heel 4.2 cm behind. */
  const LEG = 0.82;
  const length = 0.2 + 0.042;

  /** The same body with a foot whose front end is 24 cm ahead, on toes or stiff. */
  function allowance(isStiff: boolean): number {
    const feet = Object.fromEntries(
      (['left', 'right'] as const).map((side): [string, FootPoints] => {
        const [foot, toes] = [walker.roles[`${side}Foot`]!, walker.roles[`${side}Toes`]!];
        const ahead = (z: number) =>
          isStiff
            ? { joint: foot, offset: [0, -0.08, z] as const }
            : { joint: toes, offset: [0, -0.02, z - 0.14] as const };
        const own = {
          heel: { joint: foot, offset: [0, -0.08, -0.042] },
          heelFront: null,
          ball: ahead(0.14),
          toe: ahead(0.24),
          heading: [0, 0, 1],
          up: [0, 1, 0],
          from: 'rest pose',
        };
        return [side, own as unknown as FootPoints];
      }),
    );
    const measure = reach({ ...figure(walker), feet: feet as ProofFigure['feet'] }, walker);
    return (measure.details.leftLeg as { allowance: number }).allowance;
  }

  it('is what it is longer, where it rolls over toes', () => {
    expect(allowance(false)).toBeCloseTo((0.24 + 0.042 - length) / LEG, 2);
  });

  it('is what its front end is farther from the ankle than the ball, where it is stiff and stands on that', () => {
    expect(allowance(true)).toBeCloseTo((Math.hypot(0.08, 0.24) - Math.hypot(0.08, 0.14)) / LEG, 3);
  });
});
