/** The value below which the share `p` (0 to 1) of the sorted numbers lies, linear between neighbours; NaN when empty. */
export function quantileSorted(sorted: ArrayLike<number>, p: number): number {
  if (sorted.length === 0) return Number.NaN;
  const at = Math.min(1, Math.max(0, p)) * (sorted.length - 1);
  const low = Math.floor(at);
  const high = Math.min(low + 1, sorted.length - 1);
  return sorted[low]! + (sorted[high]! - sorted[low]!) * (at - low);
}

/** Like `quantileSorted`, for numbers in any order; the input stays as it is. */
export function quantile(values: ArrayLike<number>, p: number): number {
  return quantileSorted(Float64Array.from(values).sort(), p);
}

/** Median, 95th percentile and largest of a list; zeros when it is empty. */
export function spread(values: ArrayLike<number>): { median: number; p95: number; worst: number } {
  if (values.length === 0) return { median: 0, p95: 0, worst: 0 };
  const sorted = Float64Array.from(values).sort();
  return {
    median: quantileSorted(sorted, 0.5),
    p95: quantileSorted(sorted, 0.95),
    worst: sorted[sorted.length - 1]!,
  };
}
