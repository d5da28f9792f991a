import { describe, expect, it } from 'vitest';
import { shiftPelvis } from '../../src/contact/pelvis-shift.ts';
import type { ReachLeg } from '../../src/contact/reach-leg.ts';

const LENGTH = 0.8;

/** A leg that stands under its hip, bent to an extension, whose ankle has to be moved by `offset(time)`. */
function leg(frameCount: number, fps: number, x: number, offset: (t: number) => number[], extension = 0.75): ReachLeg {
  const hips = new Float64Array(frameCount * 3);
  const goals = new Float64Array(frameCount * 3);
  const offsets = new Float64Array(frameCount * 3);
  for (let f = 0; f < frameCount; f++) {
    hips.set([x, extension, 0], f * 3);
    offsets.set(offset(f / fps), f * 3);
    goals.set([x, 0, 0], f * 3);
    for (let k = 0; k < 3; k++) goals[f * 3 + k]! += offsets[f * 3 + k]!;
  }
  const filled = (value: number) => new Float64Array(frameCount).fill(value);
  return {
    hips,
    goals,
    offsets,
    extensions: filled(extension),
    reaches: filled(0.98 * LENGTH),
    nearest: filled(0.2),
    held: filled(1),
    length: LENGTH,
  };
}

function shift(legs: ReachLeg[], frameCount: number, fps: number, largest = 1): Float64Array {
  const out = new Float64Array(frameCount * 3);
  shiftPelvis(legs, frameCount, 1 / fps, largest, out);
  return out;
}

function distance({ goals, hips }: ReachLeg, shifts: Float64Array, f: number): number {
  return Math.hypot(...[0, 1, 2].map((k) => goals[f * 3 + k]! - hips[f * 3 + k]! - shifts[f * 3 + k]!));
}

describe('shiftPelvis', () => {
  it('moves nothing where no foot is moved', () => {
    const still = () => [0, 0, 0];
    const out = shift([leg(60, 60, 0.1, still), leg(60, 60, -0.1, still)], 60, 60);
    for (const v of out) expect(Math.abs(v)).toBeLessThan(1e-12);
  });

  it('goes along with both feet, so that the knees keep their bend', () => {
    const down = () => [0, -0.05, 0];
    const out = shift([leg(60, 60, 0.1, down), leg(60, 60, -0.1, down)], 60, 60);
    // KEEP holds on to a third of the way with a weight of 0.05, against two legs of 0.05 / (1 − 0.94²) = 0.41 each.
    for (let f = 0; f < 60; f++) expect(out[f * 3 + 1]!).toBeCloseTo(-0.05, 2);
  });

  it('brings both feet within reach, for however short a time', () => {
    // One foot is asked for 0.12 m further down, for a tenth of a second.
    const pulse = (t: number) => [0, t > 1 && t < 1.1 ? -0.12 : 0, 0];
    const legs = [leg(120, 60, 0.1, pulse), leg(120, 60, -0.1, () => [0, 0, 0])];
    expect(distance(legs[0]!, new Float64Array(360), 63)).toBeGreaterThan(0.98 * LENGTH);
    const out = shift(legs, 120, 60);
    for (let f = 0; f < 120; f++)
      for (const own of legs) expect(distance(own, out, f)).toBeLessThan(0.98 * LENGTH * 1.0005);
  });

  it('moves smoothly where a foot jumps', () => {
    const step = (t: number) => [0, t < 1 ? 0 : 0.06, 0];
    const out = shift([leg(240, 120, 0.1, step), leg(240, 120, -0.1, step)], 240, 120);
    let most = 0;
    for (let f = 1; f + 1 < 240; f++)
      most = Math.max(most, Math.abs(out[f * 3 - 2]! - 2 * out[f * 3 + 1]! + out[f * 3 + 4]!) * 120 * 120);
    // m/s². A step of 0.06 m within a quarter of a period of 3 Hz takes some 0.06 · (2π · 3)² / 2 = 11; at once it is 864.
    expect(most).toBeLessThan(11);
    expect(out[200 * 3 + 1]! - out[40 * 3 + 1]!).toBeCloseTo(0.06, 2);
  });

  it('gives the same shift at 30 and at 120 frames a second', () => {
    const wave = (t: number) => [0.02 * Math.sin(5 * t), 0.03 * Math.cos(7 * t), 0];
    const [slow, fast] = [30, 120].map((fps) =>
      shift([leg(2 * fps + 1, fps, 0.1, wave), leg(2 * fps + 1, fps, -0.1, wave)], 2 * fps + 1, fps),
    ) as [Float64Array, Float64Array];
    for (let f = 0; f <= 60; f++)
      for (let k = 0; k < 3; k++) expect(Math.abs(slow[f * 3 + k]! - fast[f * 12 + k]!)).toBeLessThan(0.002);
  });

  it('lets a straight knee bend over several frames when the floor rises under its foot', () => {
    // The feet go up by 4 cm, one within 0.1 s; the performer's legs stay at 99.8 % of their length.
    const rise = (t: number) => [0, 0.04 * Math.max(0, Math.min(1, (t - 1) / 0.1)), 0];
    const legs = [leg(60, 30, 0.1, rise, 0.998 * LENGTH), leg(60, 30, -0.1, () => [0, 0, 0], 0.998 * LENGTH)];
    for (const own of legs) own.reaches.fill(0.999 * LENGTH);
    const out = shift(legs, 60, 30);
    const knee = (f: number): number => (360 / Math.PI) * Math.acos(Math.min(1, distance(legs[0]!, out, f) / LENGTH));
    let most = 0;
    for (let f = 1; f + 1 < 60; f++) most = Math.max(most, Math.abs(knee(f - 1) - 2 * knee(f) + knee(f + 1)) / 2);
    // Degrees; 8 where the bend follows the floor at once.
    expect(most).toBeLessThan(6);
  });

  it('settles where short legs take long strides', () => {
    // Steps of 0.9 m at 1.8 m a second on legs of 0.8 m: at both ends of a stance the hips are too far ahead or behind.
    const [frames, fps, speed, stance] = [240, 60, 1.8, 0.6];
    const legs = [0, 0.5].map((phase, l) => {
      const own = leg(frames, fps, l === 0 ? 0.1 : -0.1, () => [0, 0, 0], 0.97 * LENGTH);
      for (let f = 0; f < frames; f++) {
        const t = f / fps + phase;
        const step = Math.floor(t);
        own.hips[f * 3 + 2] = (speed * f) / fps;
        own.goals[f * 3 + 2] = speed * (step - phase + stance / 2);
        own.held[f] = t - step < stance ? 1 : 0;
      }
      return own;
    });
    const out = shift(legs, frames, fps);
    let most = 0;
    for (let f = 0; f < frames; f++)
      for (const own of legs) if (own.held[f]) most = Math.max(most, distance(own, out, f) / LENGTH);
    expect(distance(legs[0]!, new Float64Array(frames * 3), 0) / LENGTH).toBeGreaterThan(1.18);
    // Rounds that stop while the legs still take turns leave 0.9814.
    expect(most).toBeLessThan(0.98 * 1.0005);
  });

  it('never goes further than it may', () => {
    const away = () => [0, -2, 0];
    const out = shift([leg(30, 30, 0.1, away), leg(30, 30, -0.1, away)], 30, 30, 0.28);
    for (let f = 0; f < 30; f++) expect(Math.hypot(out[f * 3]!, out[f * 3 + 1]!, out[f * 3 + 2]!)).toBeLessThan(0.2801);
  });
});
