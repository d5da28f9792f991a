import { describe, expect, it } from 'vitest';
import { envelope, fadeOutside, meanOver, weightNear } from '../../src/contact/hold.ts';
import { seeded } from '../support/figure.ts';

const RAMP = 20;
const EDGE = 2;

/** Values that are a line inside each span, with its slope a frame. */
function lines(frameCount: number, spans: readonly { first: number; last: number; at: number; slope: number }[]) {
  const values = new Float64Array(frameCount * 3).fill(Number.NaN);
  for (const { first, last, at, slope } of spans)
    for (let f = first; f <= last; f++) values.fill(at + slope * (f - first), f * 3, f * 3 + 3);
  fadeOutside(values, spans, frameCount, RAMP, EDGE);
  return Array.from({ length: frameCount }, (_, f) => values[f * 3]!);
}

describe('fadeOutside', () => {
  it('keeps what is inside the spans and is zero a ramp away', () => {
    const values = lines(100, [{ first: 40, last: 50, at: 1, slope: 0.1 }]);
    for (let f = 40; f <= 50; f++) expect(values[f]).toBeCloseTo(1 + 0.1 * (f - 40), 12);
    for (const f of [0, 20, 70, 99]) expect(values[f]).toBe(0);
  });

  it('leaves a span with the slope that it has there', () => {
    const values = lines(200, [{ first: 90, last: 110, at: 0, slope: 0.3 }]);
    // A cubic over 20 frames that starts at 6 with slope 0.3 bends by (−6 · 6 − 4 · 0.3 · 20) / 20² = −0.15 a frame².
    expect(Math.abs(values[111]! - values[110]! - 0.3)).toBeLessThan(0.08);
    expect(Math.abs(values[90]! - values[89]! - 0.3)).toBeLessThan(0.08);
  });

  it('bridges a gap that is shorter than two ramps along one cubic', () => {
    const values = lines(100, [
      { first: 0, last: 40, at: 2, slope: 0 },
      { first: 50, last: 99, at: 5, slope: 0 },
    ]);
    // Hermite with slopes zero: 2 + 3 (3u² − 2u³).
    for (let f = 41; f < 50; f++) {
      const u = (f - 40) / 10;
      expect(values[f]).toBeCloseTo(2 + 3 * (3 * u * u - 2 * u ** 3), 9);
    }
  });
});

describe('weightNear', () => {
  it('is 1 in the spans, 0 a ramp away and falls in between', () => {
    const weights = new Float64Array(60);
    weightNear(weights, [{ first: 20, last: 30 }], 10);
    for (let f = 20; f <= 30; f++) expect(weights[f]).toBe(1);
    for (let f = 31; f <= 40; f++) expect(weights[f]!).toBeLessThan(weights[f - 1]!);
    expect(weights[40]).toBe(0);
    expect(weights[10]).toBe(0);
    expect(weights[25 - 10]).toBeCloseTo(0.5, 12);
    // A smooth step, 3u² − 2u³, is 0.104 at a fifth and 0.896 at four fifths.
    expect(weights[32]).toBeCloseTo(0.896, 12);
    expect(weights[12]).toBeCloseTo(0.104, 12);
  });

  it('lets two spans overlap in a gap: what each leaves is multiplied', () => {
    const weights = new Float64Array(40);
    weightNear(
      weights,
      [
        { first: 0, last: 10 },
        { first: 20, last: 39 },
      ],
      10,
    );
    expect(weights[15]).toBeCloseTo(1 - 0.5 * 0.5, 12);
    expect(weights[12]).toBeCloseTo(1 - 0.104 * 0.896, 12);
    expect(weights[18]).toBeCloseTo(1 - 0.104 * 0.896, 12);
    for (const f of [0, 10, 20, 39]) expect(weights[f]).toBe(1);
    // Six frames after the first and two after the second, which is shorter than the ramp.
    weightNear(
      weights,
      [
        { first: 0, last: 10 },
        { first: 13, last: 14 },
      ],
      10,
    );
    expect(weights[16]).toBeCloseTo(1 - 0.648 * 0.104, 12);
  });
});

describe('envelope', () => {
  it('is nowhere below the values, and the largest of them where they are constant around', () => {
    const random = seeded(3);
    const values = Float64Array.from({ length: 200 }, (_, f) => (f > 50 && f < 150 ? 1 : random()));
    const over = envelope(values, 8);
    for (let f = 0; f < 200; f++) expect(over[f]!).toBeGreaterThanOrEqual(values[f]! - 1e-12);
    expect(over[100]).toBeCloseTo(1, 12);
  });

  it('makes a triangle of one value: largest within the radius, then averaged over it', () => {
    const values = new Float64Array(40);
    values[20] = 1;
    const over = envelope(values, 3);
    // A box of seven frames averaged over seven: falls by a seventh a frame, to zero seven frames away.
    for (let f = 0; f < 40; f++) expect(over[f]).toBeCloseTo(Math.max(0, 1 - Math.abs(f - 20) / 7), 12);
  });

  it('goes on at the ends as it is there', () => {
    const over = envelope(Float64Array.of(4, 0, 0, 0, 0, 0, 0, 2), 2);
    // Largest within two frames: 4 4 4 0 0 2 2 2, and the first and last go on beyond the ends.
    [4, 16 / 5, 12 / 5, 10 / 5, 8 / 5, 6 / 5, 8 / 5, 2].forEach((value, f) => {
      expect(over[f]).toBeCloseTo(value, 12);
    });
  });

  it('averages as the definition says', () => {
    const values = Float64Array.of(1, 5, 2, 8, 3);
    expect([...meanOver(values, 1)]).toEqual([7 / 3, 8 / 3, 5, 13 / 3, 14 / 3]);
  });
});
