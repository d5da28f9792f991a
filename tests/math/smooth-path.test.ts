import { CholeskyDecomposition, Matrix } from 'ml-matrix';
import { describe, expect, it } from 'vitest';
import { solveSmoothPath } from '../../src/math/smooth-path.ts';
import { seeded } from '../support/figure.ts';

/**
 * Random blocks V·Vᵀ + keep · 1, squares of sums over one point, two or three in a row, and a right side, packed as the solver
 * takes them; the same matrix in full.
 */
function pathSystem(count: number, smoothness: number, keep: number, seed: number, tied: 1 | 2 | 3) {
  const random = seeded(seed);
  const blocks = new Float64Array(count * 6);
  const full = Matrix.zeros(count * 3, count * 3);
  const couplings = new Float64Array(count * 9);
  const far = new Float64Array(count * 9);
  const differences = Matrix.zeros(Math.max(0, count - 2) * 3, count * 3);
  for (let i = 0; i < count; i++) {
    const v = [random() - 0.5, random() - 0.5, random() - 0.5] as const;
    let at = i * 6;
    for (let row = 0; row < 3; row++) {
      for (let column = 0; column <= row; column++) {
        const value = v[row]! * v[column]! + (row === column ? keep : 0);
        blocks[at++] = value;
        full.set(i * 3 + row, i * 3 + column, value);
        full.set(i * 3 + column, i * 3 + row, value);
      }
    }
  }
  for (let i = tied - 1; i < count; i++) {
    const first = i - tied + 1;
    const tie = Matrix.zeros(1, count * 3);
    for (let k = 0; k < 3 * tied; k++) tie.set(0, first * 3 + k, random() - 0.5);
    const square = tie.transpose().mmul(tie);
    full.add(square);
    for (let point = first; point <= i; point++) {
      let at = point * 6;
      for (let row = 0; row < 3; row++)
        for (let column = 0; column <= row; column++) blocks[at++]! += square.get(point * 3 + row, point * 3 + column);
      for (let k = 0; k < 9; k++) {
        const row = point * 3 + Math.floor(k / 3);
        if (point > first) couplings[point * 9 + k]! += square.get(row, (point - 1) * 3 + (k % 3));
        if (point > first + 1) far[point * 9 + k]! += square.get(row, (point - 2) * 3 + (k % 3));
      }
    }
  }
  for (let i = 0; i + 2 < count; i++) {
    for (let k = 0; k < 3; k++) {
      [1, -2, 1].forEach((weight, j) => {
        differences.set(i * 3 + k, (i + j) * 3 + k, weight);
      });
    }
  }
  if (count > 2) full.add(differences.transpose().mmul(differences).mul(smoothness));
  return { blocks, couplings, far, full, right: Float64Array.from({ length: count * 3 }, () => random() - 0.5) };
}

describe('solveSmoothPath', () => {
  it.each([
    [1, 1],
    [2, 1],
    [3, 10],
    [4, 0.1],
    [40, 1],
    [40, 2500],
  ])('solves %i points of smoothness %f as a dense Cholesky does (ml-matrix)', (count, smoothness) => {
    const { blocks, couplings, full, right } = pathSystem(count, smoothness, 0.05, count, 1);
    const expected = new CholeskyDecomposition(full).solve(Matrix.columnVector(right));
    // Whatever is in the couplings is not read without far ties.
    couplings.fill(Number.NaN);
    expect(solveSmoothPath(blocks, couplings, smoothness, right)).toBe(true);
    for (let i = 0; i < right.length; i++) expect(right[i]!).toBeCloseTo(expected.get(i, 0), 9);
  });

  it.each([
    [2, 3, 10],
    [2, 40, 2500],
    [3, 3, 10],
    [3, 4, 0.1],
    [3, 40, 2500],
  ] as const)('with ties of %i points in a row solves %i points of smoothness %f', (tied, count, smoothness) => {
    const { blocks, couplings, far, full, right } = pathSystem(count, smoothness, 0.05, count, tied);
    const expected = new CholeskyDecomposition(full).solve(Matrix.columnVector(right));
    expect(solveSmoothPath(blocks, couplings, smoothness, right, far)).toBe(true);
    for (let i = 0; i < right.length; i++) expect(right[i]!).toBeCloseTo(expected.get(i, 0), 9);
  });

  it('says so when the matrix is not positive definite', () => {
    // xx = yy = 1, xy = 2: the eigenvalues are 3 and −1.
    const blocks = Float64Array.of(1, 2, 1, 0, 0, 1);
    expect(solveSmoothPath(blocks, new Float64Array(9), 1, Float64Array.of(1, 1, 1))).toBe(false);
  });
});
