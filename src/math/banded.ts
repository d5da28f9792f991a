/**
 * Solves A·X = B for a symmetric positive definite band matrix by Cholesky's factorisation without square roots
 * (A = L·D·Lᵀ; Golub & Van Loan, Matrix Computations, section 4.3.5). Linear in the size of A. (ml-matrix keeps dense
 * matrices only: a clip of 2,000 frames would need 36 million entries.)
 *
 * @param band   lower half of A by rows, size × (width + 1): band[i · (width + 1) + k] is A[i, i − k], k = 0 … width;
 *               overwritten with the factors. Entries left of the first column are not read.
 * @param right  B, size × columns, overwritten with X
 * @returns whether A is positive definite; if not, `right` holds nothing of use
 * Allocates nothing.
 */
export function solveBanded(
  band: Float64Array,
  size: number,
  width: number,
  right: Float64Array,
  columns: number,
): boolean {
  const row = width + 1;
  for (let i = 0; i < size; i++) {
    const own = i * row;
    const reach = Math.min(width, i);
    // L[i, j] · D[j], column by column, then divided: j = i − k.
    for (let k = reach; k >= 1; k--) {
      const other = (i - k) * row;
      let sum = band[own + k]!;
      const depth = Math.min(reach, k + Math.min(width, i - k));
      for (let m = k + 1; m <= depth; m++) sum -= band[own + m]! * band[other + m - k]!;
      band[own + k] = sum;
    }
    let pivot = band[own]!;
    for (let k = 1; k <= reach; k++) {
      const scaled = band[own + k]!;
      const factor = scaled / band[(i - k) * row]!;
      pivot -= scaled * factor;
      band[own + k] = factor;
    }
    if (!(pivot > 0)) return false;
    band[own] = pivot;
  }
  for (let c = 0; c < columns; c++) {
    for (let i = 0; i < size; i++) {
      let sum = right[i * columns + c]!;
      const reach = Math.min(width, i);
      for (let k = 1; k <= reach; k++) sum -= band[i * row + k]! * right[(i - k) * columns + c]!;
      right[i * columns + c] = sum;
    }
    for (let i = 0; i < size; i++) right[i * columns + c]! /= band[i * row]!;
    for (let i = size - 1; i >= 0; i--) {
      let sum = right[i * columns + c]!;
      const reach = Math.min(width, size - 1 - i);
      for (let k = 1; k <= reach; k++) sum -= band[(i + k) * row + k]! * right[(i + k) * columns + c]!;
      right[i * columns + c] = sum;
    }
  }
  return true;
}
