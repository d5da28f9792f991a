import { selectInPlace } from '../math/select.ts';

/**
 * Order statistics of series. Ways tried: sorting; selection, as the order of the other 99 % is not asked for; and selection among
 * those alone that a sample says lie around the place, which are found in one pass.
 */

let scratch = new Float64Array(4096);

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

function largestOf(values: ArrayLike<number>, count: number): number {
  let most = values[0]!;
  for (let i = 1; i < count; i++) if (values[i]! > most) most = values[i]!;
  return most;
}

/** So many numbers, evenly spread, tell roughly where a place lies; it is sought so many of them to either side. */
const SAMPLE = 128;
const SPREAD = 8;
/** Fewer numbers are put in order as they are. */
const ENOUGH = 8 * SAMPLE;
const sample = new Float64Array(SAMPLE);

/**
 * Copies what lies around a place of the order to the front of `scratch`.
 * @param bounds  how many are copied, and how many numbers are smaller than any of those
 * @returns whether the place and the next one are among them
 */
function bandAround(values: Float64Array, count: number, place: number, bounds: Int32Array): boolean {
  for (let i = 0; i < SAMPLE; i++) sample[i] = values[Math.floor((i * count) / SAMPLE)]!;
  const middle = Math.floor((place * SAMPLE) / count);
  const [first, last] = [middle - SPREAD, middle + 1 + SPREAD];
  let low = Number.NEGATIVE_INFINITY;
  let high = Number.POSITIVE_INFINITY;
  if (first >= 0) {
    selectInPlace(sample, 0, SAMPLE - 1, first);
    low = sample[first]!;
  }
  if (last < SAMPLE) {
    selectInPlace(sample, Math.max(0, first), SAMPLE - 1, last);
    high = sample[last]!;
  }
  let below = 0;
  let taken = 0;
  for (let i = 0; i < count; i++) {
    const value = values[i]!;
    if (value < low) below++;
    else if (value <= high) scratch[taken++] = value;
  }
  bounds[0] = taken;
  bounds[1] = below;
  return place >= below && place + 1 < below + taken;
}

const bounds = new Int32Array(2);

/** Value at a place of `count` sorted numbers, linear between neighbours. */
function valueAt(
  values: ArrayLike<number>,
  count: number,
  { low, t }: { low: number; t: number },
  toValue: (key: number) => number,
): number {
  if (scratch.length < count) scratch = new Float64Array(count * 2);
  let taken = count;
  let at = low;
  if (count >= ENOUGH && values instanceof Float64Array && bandAround(values, count, low, bounds)) {
    taken = bounds[0]!;
    at = low - bounds[1]!;
  } else for (let i = 0; i < count; i++) scratch[i] = values[i]!;
  selectInPlace(scratch, 0, taken - 1, at);
  const value = toValue(scratch[at]!);
  return t === 0 ? value : value + (toValue(smallest(scratch, at + 1, taken)) - value) * t;
}

const itself = (value: number): number => value;

/**
 * The value below which the share `p` (0 to 1) of the numbers lies, linear between neighbours; NaN when empty.
 * @param toValue  where the numbers only rise with what is asked for: gives the value of one of them
 */
export function quantile(
  values: ArrayLike<number>,
  p: number,
  toValue: (key: number) => number = itself,
  count = values.length,
): number {
  return count === 0 ? Number.NaN : valueAt(values, count, placeOf(p, count), toValue);
}

/** Median, 95th percentile and largest of the first `count` numbers; zeros when there are none. See `quantile`. */
export function spread(
  values: ArrayLike<number>,
  count = values.length,
  toValue: (key: number) => number = itself,
): { median: number; p95: number; worst: number } {
  if (count === 0) return { median: 0, p95: 0, worst: 0 };
  const median = quantile(values, 0.5, toValue, count);
  const p95 = quantile(values, 0.95, toValue, count);
  return { median, p95, worst: toValue(largestOf(values, count)) };
}
