import { CholeskyDecomposition, Matrix } from 'ml-matrix';
import { describe, expect, it } from 'vitest';
import { solveBanded } from '../../src/math/banded.ts';
import { seeded } from '../support/figure.ts';

/** A random symmetric matrix of one bandwidth, dominated by its diagonal, in both layouts. */
function bandMatrix(size: number, width: number, seed: number) {
  const random = seeded(seed);
  const full = Matrix.zeros(size, size);
  const band = new Float64Array(size * (width + 1));
  for (let i = 0; i < size; i++) {
    for (let k = 0; k <= Math.min(width, i); k++) {
      const value = k === 0 ? 2 * width + 1 + random() : random() - 0.5;
      full.set(i, i - k, value);
      full.set(i - k, i, value);
      band[i * (width + 1) + k] = value;
    }
  }
  return { full, band };
}

describe('solveBanded', () => {
  it.each([
    [1, 0, 1],
    [2, 1, 1],
    [7, 6, 2],
    [40, 6, 3],
    [60, 3, 1],
  ])(
    'solves %i equations of width %i for %i right sides as a dense Cholesky does (ml-matrix)',
    (size, width, columns) => {
      const { full, band } = bandMatrix(size, width, size);
      const random = seeded(99);
      const sides = Matrix.zeros(size, columns);
      const right = new Float64Array(size * columns);
      for (let i = 0; i < right.length; i++) {
        right[i] = random();
        sides.set(Math.floor(i / columns), i % columns, right[i]!);
      }
      const expected = new CholeskyDecomposition(full).solve(sides);
      expect(solveBanded(band, size, width, right, columns)).toBe(true);
      for (let i = 0; i < right.length; i++)
        expect(right[i]!).toBeCloseTo(expected.get(Math.floor(i / columns), i % columns), 12);
    },
  );

  it('says so when the matrix is not positive definite', () => {
    // [[1, 2], [2, 1]] has the eigenvalues 3 and −1.
    expect(solveBanded(Float64Array.of(1, 0, 1, 2), 2, 1, Float64Array.of(1, 1), 1)).toBe(false);
  });
});
