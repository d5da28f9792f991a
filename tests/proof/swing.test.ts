import { describe, expect, it } from 'vitest';
import { rotateVec, rotateVecInverse } from '../../src/math/quat.ts';
import type { FootPoints, Measure, ProofFigure } from '../../src/proof/measure.ts';
import { prove } from '../../src/proof/prove.ts';
import { framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';
import { moved, turned } from '../support/altered-clip.ts';
import { buildWalker, type Walker } from '../support/walker.ts';

/** A walk over a floor that is captured higher from step to step: by 3 to 5 % of the leg at the last but one of each foot. */
const uneven = buildWalker({ rise: 0.016 });

function figure({ skeleton, clip, roles }: Walker): ProofFigure {
  return { skeleton, clip, roles };
}

function reach(target: ProofFigure, source: ProofFigure): Measure {
  return prove(target, source).measures.find(({ id }) => id === 'limb-target-feet')!;
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
        figure(uneven),
      ).value,
    ).toBeLessThan(0.001);
  });

  it('are found off while they swing', () => {
    const swings = (t: number) => stances.every(({ start, end }) => t < start || t > end);
    const off = reach(aside(uneven, swings), figure(uneven));
    expect(off.verdict).toBe('fail');
    expect(off.where[0]!.role).toBe('leftFoot');
    for (const { frames } of off.where) {
      expect(swings(frames[0] * uneven.clip.frameDuration)).toBe(true);
      expect(swings(frames[1] * uneven.clip.frameDuration)).toBe(true);
    }
  });
});

describe('a foot that its capture turns into the floor', () => {
  const walker = buildWalker();
  const { leftFoot, leftLowerLeg } = walker.roles;
  // Tips of feet, from the ankle, metres.
  const [heel, toe] = [
    [0, -0.08, -0.042],
    [0, -0.08, 0.2],
  ] as const;
  const point = (offset: readonly [number, number, number]) => ({ joint: leftFoot!, offset });
  const left = { heel: point(heel), heelFront: null, ball: point(toe), toe: point(toe) };
  const feet = {
    left: { ...left, heading: [0, 0, 1], up: [0, 1, 0], from: 'given' },
  } as unknown as ProofFigure['feet'];
  const swings = (f: number) =>
    walker.contacts.left.foot.every(({ start, end }) => {
      const t = f * walker.clip.frameDuration;
      return t < start || t > end;
    });
  /** Toes down by 70 degrees in the air: the tip is in the floor by up to 15 cm. */
  let clip = walker.clip;
  for (let f = 0; f < clip.frameCount; f++) if (swings(f)) clip = turned(clip, leftFoot!, [f, f], [1, 0, 0], 1.2);
  const source: ProofFigure = { ...figure(walker), clip, feet };

  /** Its motion with that foot lifted out of the floor, and by some metres more. */
  function lifted(more: number): ProofFigure {
    const pose = createWorldPose(walker.skeleton.jointCount);
    const local = restLocalPose(walker.skeleton);
    const up = new Float64Array(3);
    const lift = moved({ ...walker, clip }, leftFoot!, (f) => {
      if (!swings(f)) return [0, 0, 0];
      framePose(walker.skeleton, clip, f, local, pose);
      const low = [heel, toe].map((offset) => {
        rotateVec(up, 0, pose.rotations, leftFoot! * 4, Float64Array.from(offset), 0);
        return pose.positions[leftFoot! * 3 + 1]! + up[1]!;
      });
      rotateVecInverse(up, 0, pose.rotations, leftLowerLeg! * 4, Float64Array.of(0, more - Math.min(0, ...low), 0), 0);
      return [up[0]!, up[1]!, up[2]!];
    });
    return { ...figure(walker), clip: lift, feet };
  }

  it('is on its target where it lies on the floor', () => {
    const found = reach(lifted(0), source);
    expect(found.value).toBeLessThan(0.001);
    expect(found.where).toEqual([]);
  });

  it('is off it by how far it is above the floor', () => {
    const found = reach(lifted(0.1 * walker.legLength), source);
    expect(found.value).toBeCloseTo(0.1, 2);
    expect(found.where[0]!.role).toBe('leftFoot');
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
    const measure = reach({ ...figure(walker), feet: feet as ProofFigure['feet'] }, figure(walker));
    return (measure.details.leftLeg as { allowance: number }).allowance;
  }

  it('is what it is longer, where it rolls over toes', () => {
    expect(allowance(false)).toBeCloseTo((0.24 + 0.042 - length) / LEG, 2);
  });

  it('is what its front end is farther from the ankle than the ball, where it is stiff and stands on that', () => {
    expect(allowance(true)).toBeCloseTo((Math.hypot(0.08, 0.24) - Math.hypot(0.08, 0.14)) / LEG, 3);
  });
});
