import { Matrix, solve } from 'ml-matrix';
import { describe, expect, it } from 'vitest';
import { smoothSeries } from '../../src/math/smooth-series.ts';
import { seeded } from '../support/figure.ts';

describe('smoothSeries', () => {
  it.each([
    [1, 1],
    [2, 3],
    [3, 10],
    [4, 0.1],
    [40, 25],
  ])('solves %i frames of smoothness %f as a dense solver does (ml-matrix)', (count, smoothness) => {
    const random = seeded(count);
    const weights = Float64Array.from({ length: count }, () => 0.1 + random());
    const values = Float64Array.from({ length: count }, () => random() - 0.5);
    const differences = Matrix.zeros(Math.max(0, count - 2), count);
    for (let i = 0; i + 2 < count; i++)
      [1, -2, 1].forEach((weight, k) => {
        differences.set(i, i + k, weight);
      });
    const full = Matrix.diag(Array.from(weights));
    if (count > 2) full.add(differences.transpose().mmul(differences).mul(smoothness));
    const expected = solve(full, Matrix.columnVector(values.map((value, i) => value * weights[i]!)));
    smoothSeries(weights, smoothness, values);
    for (let i = 0; i < count; i++) expect(values[i]).toBeCloseTo(expected.get(i, 0), 10);
  });
});
