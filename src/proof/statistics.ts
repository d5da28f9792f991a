import { selectInPlace } from '../math/select.ts';

/** Order statistics of series, selected in place of sorted: the order of the other 99 % of a series is not asked for. */

let scratch = new Float64Array(4096);

function copied(values: ArrayLike<number>, count: number): Float64Array {
  if (scratch.length < count) scratch = new Float64Array(count * 2);
  for (let i = 0; i < count; i++) scratch[i] = values[i]!;
  return scratch;
}

/** Where the share `p` of `count` sorted numbers lies: the place before it, and how far it is to the next. */
function placeOf(p: number, count: number): { low: number; t: number } {
  const at = Math.min(1, Math.max(0, p)) * (count - 1);
  const low = Math.floor(at);
  return { low, t: at - low };
}

function smallest(values: Float64Array, from: number, to: number): number {
  let least = values[from]!;
  for (let i = from + 1; i < to; i++) if (values[i]! < least) least = values[i]!;
  return least;
}

function largestOf(values: Float64Array, from: number, to: number): number {
  let most = values[from]!;
  for (let i = from + 1; i < to; i++) if (values[i]! > most) most = values[i]!;
  return most;
}

/** Value at a share of numbers whose place `low` was selected, linear between neighbours. */
function between(
  values: Float64Array,
  count: number,
  { low, t }: { low: number; t: number },
  toValue: (key: number) => number,
): number {
  const value = toValue(values[low]!);
  if (t === 0) return value;
  return value + (toValue(smallest(values, low + 1, count)) - value) * t;
}

const itself = (value: number): number => value;

/** The value below which the share `p` (0 to 1) of the numbers lies, linear between neighbours; NaN when empty. */
export function quantile(values: ArrayLike<number>, p: number): number {
  const count = values.length;
  if (count === 0) return Number.NaN;
  const place = placeOf(p, count);
  const own = copied(values, count);
  selectInPlace(own, 0, count - 1, place.low);
  return between(own, count, place, itself);
}

/**
 * Median, 95th percentile and largest of the first `count` numbers; zeros when there are none.
 * @param toValue  where the numbers only rise with what is asked for: gives the value of one of them
 */
export function spread(
  values: ArrayLike<number>,
  count = values.length,
  toValue: (key: number) => number = itself,
): { median: number; p95: number; worst: number } {
  if (count === 0) return { median: 0, p95: 0, worst: 0 };
  const own = copied(values, count);
  const middle = placeOf(0.5, count);
  const high = placeOf(0.95, count);
  selectInPlace(own, 0, count - 1, middle.low);
  const median = between(own, count, middle, toValue);
  selectInPlace(own, middle.low, count - 1, high.low);
  const p95 = between(own, count, high, toValue);
  return { median, p95, worst: toValue(largestOf(own, high.low, count)) };
}
