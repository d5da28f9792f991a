import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { degreesOf, keyBetween, turnDegreesOf, turnKeys } from '../../src/proof/angles.ts';
import { turnJumpsOf, windowMax } from '../../src/proof/second-differences.ts';
import { quantile, spread } from '../../src/proof/statistics.ts';
import { axisAngle } from '../support/quat.ts';

const DEGREES = 180 / Math.PI;
/** Degrees. Arcs of Float64 directions are good to 1e-13; keys double that near a right angle. */
const ANGLE_TOLERANCE = 1e-11;

const series = fc.array(fc.double({ min: -1e3, max: 1e3, noNaN: true }), { minLength: 1, maxLength: 60 });

/** By sorting everything. */
function sortedQuantile(values: readonly number[], p: number): number {
  const sorted = [...values].sort((a, b) => a - b);
  const at = p * (sorted.length - 1);
  const low = Math.floor(at);
  const high = Math.min(low + 1, sorted.length - 1);
  return sorted[low]! + (sorted[high]! - sorted[low]!) * (at - low);
}

describe('order statistics', () => {
  it('are those of the sorted numbers, whose order stays as it was', () => {
    fc.assert(
      fc.property(series, fc.double({ min: 0, max: 1, noNaN: true }), (values, p) => {
        const given = Float64Array.from(values);
        expect(quantile(given, p)).toBeCloseTo(sortedQuantile(values, p), 9);
        const { median, p95, worst } = spread(given);
        expect(median).toBeCloseTo(sortedQuantile(values, 0.5), 9);
        expect(p95).toBeCloseTo(sortedQuantile(values, 0.95), 9);
        expect(worst).toBe(Math.max(...values));
        expect(Array.from(given)).toEqual(values);
      }),
    );
  });

  it('of long series are those of the sorted numbers too: even ones, steps, and ones that a sample misses', () => {
    const count = 4096;
    for (const valueAt of [
      (i: number) => Math.sin(i * 1.7) * i,
      (i: number) => i,
      (i: number) => -i,
      (i: number) => Math.floor(i / 500),
      (i: number) => (i % 7 === 0 ? 1 : 0),
      (i: number) => (i > 2900 ? i : 5),
      (i: number) => (i < 2048 ? -i : 1e6 + i),
      // Every 32nd, and every 16th, is unlike the others.
      (i: number) => (i % 32 === 0 ? 1e6 + i : i),
      (i: number) => (i % 16 === 0 ? -i : i),
    ])
      for (const p of [0, 0.001, 0.05, 0.4, 0.5, 0.95, 0.999, 1]) {
        const values = Array.from({ length: count }, (_, i) => valueAt(i));
        expect(quantile(Float64Array.from(values), p)).toBe(quantile(values, p));
        expect(quantile(Float64Array.from(values), p)).toBeCloseTo(sortedQuantile(values, p), 9);
      }
  });

  it('come to an end on rising, falling and equal numbers, and on what is no number', () => {
    for (const valueAt of [(i: number) => i, (i: number) => -i, () => 3, (i: number) => (i % 3 === 0 ? Number.NaN : i)])
      spread(Float64Array.from({ length: 5000 }, (_, i) => valueAt(i)));
    expect(spread([])).toEqual({ median: 0, p95: 0, worst: 0 });
  });
});

describe('the most around a frame', () => {
  it('is that of a window moved by hand, cut off at both ends', () => {
    const positive = fc.array(fc.double({ min: 0, max: 10, noNaN: true }), { minLength: 1, maxLength: 40 });
    fc.assert(
      fc.property(positive, fc.integer({ min: -14, max: 14 }), fc.nat(12), (values, from, width) => {
        const most = windowMax(Float64Array.from(values), from, from + width);
        values.forEach((_, f) => {
          const window = values.slice(Math.max(0, f + from), Math.max(0, f + from + width + 1));
          expect(most[f]).toBe(Math.max(0, ...window));
        });
      }),
    );
  });
});

describe('keys of angles', () => {
  it('give the angle back, from none to half a turn', () => {
    const angles = [0, 1e-9, 1e-4, 0.3, 1, Math.PI / 2, 2, 3.1, Math.PI - 1e-9];
    const keys = new Float64Array(angles.length);
    for (const [i, a] of angles.entries()) keys[i] = keyBetween(3, 0, 0, 2 * Math.cos(a), 2 * Math.sin(a), 0);
    for (const [i, angle] of angles.entries())
      expect(Math.abs(degreesOf(keys[i]!) - angle * DEGREES)).toBeLessThan(ANGLE_TOLERANCE);
    turnKeys(keys, Float64Array.of(0, 0, 0, 1), Float64Array.from(angles.flatMap((a) => [...axisAngle(0, 1, 0, a)])));
    for (const [i, angle] of angles.entries())
      expect(Math.abs(turnDegreesOf(keys[i]!) - angle * DEGREES)).toBeLessThan(ANGLE_TOLERANCE);
    expect([...keys].sort((a, b) => a - b)).toEqual([...keys]);
  });

  it('are 0 for a direction of no length', () => {
    expect(keyBetween(0, 0, 0, -1, 0, 0)).toBe(0);
  });
});

describe('jumps of a rotation', () => {
  it('are the same where they go beyond what is usual, and no larger elsewhere', () => {
    // Single precision, as clips hold: the squares of anything smaller than that are none in double precision either.
    const angle = fc.float({ min: Math.fround(-0.2), max: Math.fround(0.2), noNaN: true });
    const turns = fc.array(fc.tuple(angle, angle, fc.constantFrom(0.01, 0.1, 1, 10)), { minLength: 3, maxLength: 30 });
    fc.assert(
      fc.property(turns, fc.double({ min: 0.5, max: 3, noNaN: true }), (list, factor) => {
        const rotations = Float64Array.from(list.flatMap(([x, y, k]) => [...axisAngle(0.6, 0.8, 0, x * k + y)]));
        const all = turnJumpsOf(rotations, null);
        // A little below and above the jumps themselves, where the bound is tried most.
        const usual = all.map((jump, f) => (jump / factor) * (1 + ((f % 5) - 2) * 1e-3));
        const beyond = turnJumpsOf(rotations, null, undefined, usual, factor);
        all.forEach((jump, f) => {
          if (jump > factor * usual[f]!) expect(beyond[f]).toBe(jump);
          else expect([0, jump]).toContain(beyond[f]);
        });
      }),
    );
  });

  it('show a single frame that is turned away by its angle, and half of it beside', () => {
    for (const degrees of [0.01, 2, 5, 20, 170]) {
      const turn = [...axisAngle(0, 0, 1, degrees / DEGREES)];
      const still = [0, 0, 0, 1];
      const jumps = turnJumpsOf(Float64Array.from([still, still, still, turn, still, still, still].flat()), null);
      for (const [f, expected] of [0, 0, degrees / 2, degrees, degrees / 2, 0, 0].entries())
        expect(Math.abs(jumps[f]! - expected)).toBeLessThan(ANGLE_TOLERANCE);
    }
  });
});
