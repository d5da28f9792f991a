import { describe, expect, it } from 'vitest';
import type { LegTrack } from '../../src/contact/leg-track.ts';
import { shiftPelvis } from '../../src/contact/pelvis-shift.ts';
import type { ReachLeg } from '../../src/contact/reach-leg.ts';
import { unreachedPlants } from '../../src/contact/unreached.ts';
import { createLimbTargets } from '../../src/retarget/limb-targets.ts';
import type { LimbPlan } from '../../src/retarget/plan.ts';

const FRAMES = 30;
const LENGTH = 0.8;

/** A left leg of 0.8 m whose hip is 1.1 m over its plant, and a pelvis that has come down by 0.2 m. */
function cause(limit: number): string[] {
  const targets = createLimbTargets(FRAMES);
  const hips = new Float64Array(FRAMES * 3);
  for (let at = 1; at < hips.length; at += 3) {
    hips[at] = 1.1;
    targets.rootShifts[at] = -0.2;
  }
  const limb = { limb: 0, length: LENGTH } as LimbPlan;
  const leg = { limb, side: 'left', hips } as LegTrack;
  const spans = [{ first: 0, last: FRAMES - 1 }];
  const limits = new Float64Array(FRAMES).fill(limit);
  return unreachedPlants([{ leg, spans }], targets, 0, limits, 1 / 30).map(
    (plant) => `${plant.cause} ${plant.share.toFixed(3)}`,
  );
}

describe('unreachedPlants', () => {
  it('says that the pelvis is at its limit where it is', () => {
    // (1.1 − 0.2) / 0.8 − 1.
    expect(cause(0.2)).toEqual(['shift limit 0.125']);
  });

  it('does not say so where a frame allows more, as of whoever kneels', () => {
    expect(cause(0.8)).toEqual(['pelvis speed 0.125']);
  });
});

describe('the limits that shiftPelvis keeps to', () => {
  const filled = (value: number) => new Float64Array(FRAMES).fill(value);
  const leg: ReachLeg = {
    hips: Float64Array.from({ length: FRAMES * 3 }, (_, i) => (i % 3 === 1 ? 1.2 : 0)),
    goals: new Float64Array(FRAMES * 3),
    offsets: new Float64Array(FRAMES * 3),
    extensions: filled(0.75),
    reaches: filled(0.98 * LENGTH),
    nearest: filled(0.2),
    held: filled(1),
    length: LENGTH,
  };
  const limitsOf = (more: number, seated: number) =>
    shiftPelvis(
      [leg],
      FRAMES,
      1 / 30,
      0.1,
      new Float64Array(FRAMES * 3),
      { knees: [], least: null, seat: { shifts: filled(0), held: filled(seated) } },
      more,
    );

  it.each([
    ['are those given', 0, 0, 0.1],
    ['are longer where a plant needs it', 0.05, 0, 0.15],
    ['are four times as long for whoever sits', 0, 1, 0.4],
  ])('%s', (_, more, seated, limit) => {
    for (const its of limitsOf(more, seated)) expect(its).toBeCloseTo(limit, 9);
  });
});
