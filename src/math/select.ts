/**
 * Puts the k-th smallest of `values[left … right]` to place `k`: nothing before it is larger, nothing behind it smaller.
 * By selection (Hoare 1961, Algorithm 65: FIND), linear time on average; allocates nothing.
 */
export function selectInPlace(values: Float64Array, left: number, right: number, k: number): void {
  while (right > left) {
    const a = values[left]!;
    const b = values[(left + right) >> 1]!;
    const c = values[right]!;
    const pivot = Math.max(Math.min(a, b), Math.min(Math.max(a, b), c));
    let i = left;
    let j = right;
    do {
      while (values[i]! < pivot) i++;
      while (values[j]! > pivot) j--;
      if (i <= j) {
        const swap = values[i]!;
        values[i] = values[j]!;
        values[j] = swap;
        i++;
        j--;
      }
    } while (i <= j);
    if (k <= j) right = j;
    else if (k >= i) left = i;
    else return;
  }
}
