import { describe, expect, it } from 'vitest';
import type { LevelFoot } from '../../src/contact/level-foot.ts';
import { clearToes } from '../../src/contact/toe-clearance.ts';

const FRAMES = 40;
const TOES = 0.1;
const DEGREES = 180 / Math.PI;

/** A level foot whose toes joint is 5 cm under its ankle, and whose toes reach 10 cm ahead of that. */
const level: LevelFoot = {
  posture: Float64Array.of(0, 0, 0, 1),
  undo: Float64Array.of(0, 0, 0, 1),
  turn: Float64Array.of(0, 0, 0, 1),
  toesPosture: Float64Array.of(0, 0, 0, 1),
  heel: { at: Float64Array.of(0, -0.05, -0.06), height: 0 },
  ball: { at: Float64Array.of(0, -0.05, 0.12), height: 0 },
  turningPoints: [],
  support: [],
  toeEnd: Float64Array.of(0, 0, TOES),
};

/** Toes that hang by `hanging` degrees while their joint is at some heights: their pitch, up positive, degrees. */
function pitches(hanging: number, heights: readonly number[], grounded: number): number[] {
  // A turn about +X brings +Z down.
  const half = hanging / DEGREES / 2;
  const toes = Float64Array.from(heights.flatMap(() => [Math.sin(half), 0, 0, Math.cos(half)]));
  const feet = Float64Array.from(heights.flatMap(() => [0, 0, 0, 1]));
  const ankles = Float64Array.from(heights, (height) => height + 0.05);
  const none = new Float64Array(heights.length);
  clearToes(toes, feet, ankles, none, new Float64Array(heights.length).fill(grounded), level, null);
  return heights.map((_, f) => -2 * Math.atan2(toes[f * 4]!, toes[f * 4 + 3]!) * DEGREES);
}

/** Of joints that rise from the floor to 16 cm. */
const rising = Array.from({ length: FRAMES }, (_, f) => (0.16 * f) / (FRAMES - 1));

describe('clearToes', () => {
  it.each([0, 1])('leaves no tip under the floor (grounded: %i)', (grounded) => {
    pitches(55, rising, grounded).forEach((pitch, f) => {
      expect(rising[f]! + TOES * Math.sin(pitch / DEGREES)).toBeGreaterThan(-1e-9);
    });
  });

  it('lays toes of a foot that stands on the floor, and lifts them no further', () => {
    expect(pitches(55, [0, 0.04], 1)[0]).toBeCloseTo(0, 9);
    expect(pitches(55, [0, 0.04], 1)[1]).toBeCloseTo(-Math.asin(0.4) * DEGREES, 9);
  });

  it('leaves toes far from the floor as they are', () => {
    expect(pitches(55, [0.16], 0)[0]).toBeCloseTo(-55, 9);
  });

  it('lets toes leave the floor without a change of pace within a frame', () => {
    const pitch = pitches(55, rising, 0);
    let most = 0;
    for (let f = 1; f + 1 < FRAMES; f++)
      most = Math.max(most, Math.abs(pitch[f - 1]! - 2 * pitch[f]! + pitch[f + 1]!) / 2);
    // Degrees, as the proof measures pops; 1.9 where toes give way at the floor alone.
    expect(most).toBeLessThan(0.5);
  });
});
