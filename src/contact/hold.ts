/** Frames `first` … `last`, both included. */
export interface FrameSpan {
  first: number;
  last: number;
}

/**
 * Carries values that are known inside some spans of frames to all other frames: at each edge of a span the value leaves
 * with the slope that it has there and comes to rest at zero after `ramp` frames, along a cubic (Hermite) curve. Value and
 * slope are continuous everywhere. Where two ramps share a gap, each ends within the gap and they add up.
 *
 * @param values  frameCount × 3; inside the spans as given, everywhere else overwritten
 * @param spans   ascending, disjoint
 * @param ramp    frames; shortened to the gap
 * @param edge    frames inside a span from which the slope at its edge is read
 * Allocates nothing.
 */
export function fadeOutside(
  values: Float64Array,
  spans: readonly FrameSpan[],
  frameCount: number,
  ramp: number,
  edge: number,
): void {
  let next = 0;
  for (const { first, last } of spans) {
    values.fill(0, next * 3, first * 3);
    next = last + 1;
  }
  values.fill(0, next * 3, frameCount * 3);
  for (let i = 0; i < spans.length; i++) {
    const { first, last } = spans[i]!;
    const before = i > 0 ? spans[i - 1]!.last : Number.NEGATIVE_INFINITY;
    const after = spans[i + 1]?.first ?? Number.POSITIVE_INFINITY;
    const inward = Math.min(edge, last - first);
    fade(values, first, -1, Math.min(ramp, first - before), inward, frameCount);
    fade(values, last, 1, Math.min(ramp, after - last), -inward, frameCount);
  }
}

/**
 * Adds one ramp from frame `edge` outward.
 * @param inward  offset from the edge to the frame inside the span that gives the slope; 0: no slope
 */
function fade(
  values: Float64Array,
  edge: number,
  step: 1 | -1,
  length: number,
  inward: number,
  frameCount: number,
): void {
  for (let k = 0; k < 3; k++) {
    const value = values[edge * 3 + k]!;
    const slope = inward === 0 ? 0 : (values[(edge + inward) * 3 + k]! - value) / inward;
    const outward = slope * step * length;
    for (let i = 1; i < length; i++) {
      const f = edge + step * i;
      if (f < 0 || f >= frameCount) break;
      const u = i / length;
      const v = 1 - u;
      // Hermite basis h00 and h10 with end value and end slope zero.
      values[f * 3 + k]! += v * v * ((1 + 2 * u) * value + u * outward);
    }
  }
}

/** Rotation vector (axis times angle) of the quaternion at `i`: xyz to `out`; of the two signs the shorter way. */
export function rotationVector(out: Float64Array, o: number, q: Float64Array, i: number): void {
  const sign = q[i + 3]! < 0 ? -1 : 1;
  const x = q[i]! * sign;
  const y = q[i + 1]! * sign;
  const z = q[i + 2]! * sign;
  const sine = Math.sqrt(x * x + y * y + z * z);
  const k = sine > 1e-12 ? (2 * Math.atan2(sine, q[i + 3]! * sign)) / sine : 2;
  out[o] = x * k;
  out[o + 1] = y * k;
  out[o + 2] = z * k;
}

/** Quaternion of the rotation vector at `v[j]`. */
export function quatOfRotationVector(out: Float64Array, o: number, v: Float64Array, j: number): void {
  const angle = Math.sqrt(v[j]! * v[j]! + v[j + 1]! * v[j + 1]! + v[j + 2]! * v[j + 2]!);
  const k = angle > 1e-12 ? Math.sin(angle / 2) / angle : 0.5;
  out[o] = v[j]! * k;
  out[o + 1] = v[j + 1]! * k;
  out[o + 2] = v[j + 2]! * k;
  out[o + 3] = Math.cos(angle / 2);
}

/**
 * 1 inside the spans, falling to 0 along a smooth step within `ramp` frames outside.
 * @param out  one number a frame, overwritten
 */
export function weightNear(out: Float64Array, spans: readonly FrameSpan[], ramp: number): void {
  out.fill(1);
  for (const { first, last } of spans) {
    out.fill(0, first, last + 1);
    for (let i = 1; i < ramp; i++) {
      const u = i / ramp;
      const away = u * u * (3 - 2 * u);
      if (first - i >= 0) out[first - i]! *= away;
      if (last + i < out.length) out[last + i]! *= away;
    }
  }
  for (let f = 0; f < out.length; f++) out[f] = 1 - out[f]!;
}

/**
 * A smooth curve over the values: the largest within `radius` frames, averaged over as many. It is nowhere below them.
 * Two passes of a monotonic queue and a running sum: linear in the frames. Allocates its result.
 */
export function envelope(values: Float64Array, radius: number): Float64Array {
  const count = values.length;
  const most = new Float64Array(count);
  const queue = new Int32Array(count);
  let [head, tail] = [0, 0];
  for (let f = 0, next = 0; f < count; f++) {
    for (; next < count && next <= f + radius; next++) {
      while (tail > head && values[queue[tail - 1]!]! <= values[next]!) tail--;
      queue[tail++] = next;
    }
    while (queue[head]! < f - radius) head++;
    most[f] = values[queue[head]!]!;
  }
  return meanOver(most, radius);
}

/** Mean of the values within `radius` frames; beyond the ends the first and last go on. Allocates its result. */
export function meanOver(values: Float64Array, radius: number): Float64Array {
  const count = values.length;
  const mean = new Float64Array(count);
  const at = (f: number): number => values[f < 0 ? 0 : f >= count ? count - 1 : f]!;
  let sum = 0;
  for (let f = -radius; f < radius; f++) sum += at(f);
  for (let f = 0; f < count; f++) {
    sum += at(f + radius);
    mean[f] = sum / (2 * radius + 1);
    sum -= at(f - radius);
  }
  return mean;
}
