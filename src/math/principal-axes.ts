import { Matrix, SingularValueDecomposition } from 'ml-matrix';

/** Main directions of a cloud of three-vectors, strongest first. */
export interface PrincipalAxes {
  /** Unit and square to each other; each one's sign is arbitrary. */
  axes: [number, number, number][];
  /** Share of the sum of squares along each axis; they add up to 1, or are all 0 for a cloud at the origin. */
  shares: number[];
}

/**
 * Principal axes of vectors about the origin by singular values: the right singular vectors of the matrix with one vector
 * a row, and the squares of its singular values as shares (Golub & Van Loan, Matrix Computations, section 2.4).
 * Take the mean off first for axes about the mean. Allocates; an empty cloud gives the coordinate axes.
 */
export function principalAxes(vectors: readonly (readonly [number, number, number])[]): PrincipalAxes {
  // Three rows of zeros change nothing and keep the matrix at least as tall as it is wide.
  const rows = [...vectors.map((v) => [...v]), [0, 0, 0], [0, 0, 0], [0, 0, 0]];
  const { diagonal, rightSingularVectors } = new SingularValueDecomposition(new Matrix(rows));
  const total = diagonal.reduce((sum, s) => sum + s * s, 0);
  const axes = [0, 1, 2].map((k): [number, number, number] => {
    const [x, y, z] = rightSingularVectors.getColumn(k);
    return [x!, y!, z!];
  });
  return { axes, shares: diagonal.map((s) => (total > 0 ? (s * s) / total : 0)) };
}
