import { describe, expect, it } from 'vitest';
import { shiftPelvis } from '../../src/contact/pelvis-shift.ts';
import type { ReachLeg } from '../../src/contact/reach-leg.ts';

const FRAMES = 240;
const FPS = 60;
const LENGTH = 0.8;
const LARGEST = 0.35 * LENGTH;

/** A foot that stands aside of its hip, by 0.75 m between 1.5 and 2.5 s. */
function strayingLeg(): ReachLeg {
  const hips = new Float64Array(FRAMES * 3);
  const goals = new Float64Array(FRAMES * 3);
  const offsets = new Float64Array(FRAMES * 3);
  for (let f = 0; f < FRAMES; f++) {
    const t = Math.abs(f / FPS - 2);
    hips[f * 3 + 1] = 0.75;
    offsets[f * 3] = t < 0.5 ? 0.75 : t < 1.5 ? 0.75 * (0.5 + 0.5 * Math.cos(Math.PI * (t - 0.5))) : 0;
    goals[f * 3] = offsets[f * 3]!;
  }
  const filled = (value: number) => new Float64Array(FRAMES).fill(value);
  return {
    hips,
    goals,
    offsets,
    extensions: filled(0.75),
    reaches: filled(0.98 * LENGTH),
    nearest: filled(0.2),
    held: filled(1),
    length: LENGTH,
  };
}

function shifted(more: number) {
  const leg = strayingLeg();
  const out = new Float64Array(FRAMES * 3);
  shiftPelvis([leg], FRAMES, 1 / FPS, LARGEST, out, undefined, more);
  const of = (f: number, from = leg.hips, to = out) =>
    Math.hypot(...[0, 1, 2].map((k) => leg.goals[f * 3 + k]! - from[f * 3 + k]! - to[f * 3 + k]!));
  const lengths = Array.from({ length: FRAMES }, (_, f) => Math.hypot(...out.subarray(f * 3, f * 3 + 3)));
  return { legs: lengths.map((_, f) => of(f)), lengths };
}

describe('the limit of a shift', () => {
  it('holds where nothing more is allowed: the foot stays out of reach', () => {
    const { legs, lengths } = shifted(0);
    expect(Math.max(...lengths)).toBeCloseTo(LARGEST, 9);
    expect(legs[120]!).toBeGreaterThan(LENGTH);
  });

  it('gives way where a foot that stands needs it, and no further', () => {
    const { legs, lengths } = shifted(0.5);
    for (const length of legs) expect(length).toBeLessThan(0.98 * LENGTH + 1e-3);
    expect(Math.max(...lengths)).toBeGreaterThan(LARGEST + 0.05);
    // Pythagoras: a leg of 0.784 m whose hip is 0.75 m up reaches 0.228 m aside; along the floor, 0.522 m of 0.75 are left.
    expect(Math.max(...lengths)).toBeLessThan(0.53);
  });

  it('is raised by no more than is allowed', () => {
    expect(Math.max(...shifted(0.05).lengths)).toBeLessThan(LARGEST + 0.05 + 1e-9);
  });
});
