/**
 * Moves the pelvis so that both feet come within reach of where they have to be, smoothly.
 *
 * Least squares over both legs gives the shift that leaves the legs' shapes most as they are: with d the displacement of
 * each ankle, the s that minimises Σ |d − s|² + |s|² is Σ d / 3. Smoothed over time it is the start. What then is still out
 * of reach is moved into reach by the shortest vector, and the correction is widened and smoothed so that it arrives early
 * and leaves late instead of jerking; a few rounds leave nothing.
 */

/** Gaussian, seconds: faster than a step, slower than a jerk. */
const SMOOTHING = 0.08;
/** Rounds of correction; the tests need two to three. */
const ROUNDS = 6;
/** A leg is asked to reach this share less than it could, so that rounding does not undo it. */
const MARGIN = 1e-4;

export interface ReachLeg {
  /** Hip joint (root of the leg) before any shift, frames × 3, metres. */
  hips: Float64Array;
  /** Where the ankle has to be, frames × 3. */
  goals: Float64Array;
  /** How far the ankle is moved from where the plain retarget has it, frames × 3. */
  offsets: Float64Array;
  /** Farthest reach of the leg, a frame, metres. */
  reaches: Float64Array;
}

/**
 * @param out  shifts, frames × 3, overwritten
 * @returns the largest distance by which a leg is still out of reach, metres
 */
export function shiftPelvis(
  legs: readonly ReachLeg[],
  frameCount: number,
  frameDuration: number,
  out: Float64Array,
): number {
  const radius = Math.max(1, Math.round((3 * SMOOTHING) / frameDuration));
  const kernel = gaussian(radius, SMOOTHING / frameDuration);
  const scratch = new Float64Array(frameCount * 3);
  out.fill(0);
  for (const { offsets } of legs) for (let i = 0; i < frameCount * 3; i++) out[i]! += offsets[i]! / (legs.length + 1);
  smooth(out, scratch, frameCount, kernel);

  const correction = new Float64Array(frameCount * 3);
  const size = new Float64Array(frameCount);
  const widened = new Float64Array(frameCount);
  for (let round = 0; round < ROUNDS; round++) {
    const worst = corrections(legs, frameCount, out, correction, size);
    if (worst === 0) return 0;
    widen(size, widened, frameCount, radius);
    smooth(correction, scratch, frameCount, kernel);
    smoothScalar(widened, scratch, frameCount, kernel);
    for (let f = 0; f < frameCount; f++) {
      const x = correction[f * 3]!;
      const y = correction[f * 3 + 1]!;
      const z = correction[f * 3 + 2]!;
      const length = Math.sqrt(x * x + y * y + z * z);
      if (length < 1e-12) continue;
      const k = widened[f]! / length;
      out[f * 3]! += x * k;
      out[f * 3 + 1]! += y * k;
      out[f * 3 + 2]! += z * k;
    }
  }
  return corrections(legs, frameCount, out, correction, size);
}

/** Shortest move, a frame, that brings every leg within reach (alternating projection onto the legs' balls). */
function corrections(
  legs: readonly ReachLeg[],
  frameCount: number,
  shifts: Float64Array,
  out: Float64Array,
  size: Float64Array,
): number {
  let worst = 0;
  for (let f = 0; f < frameCount; f++) {
    const at = f * 3;
    let x = 0;
    let y = 0;
    let z = 0;
    for (let pass = 0; pass < 4; pass++) {
      let moved = false;
      for (let l = 0; l < legs.length; l++) {
        const { hips, goals, reaches } = legs[l]!;
        const dx = goals[at]! - hips[at]! - shifts[at]! - x;
        const dy = goals[at + 1]! - hips[at + 1]! - shifts[at + 1]! - y;
        const dz = goals[at + 2]! - hips[at + 2]! - shifts[at + 2]! - z;
        const distance = Math.sqrt(dx * dx + dy * dy + dz * dz);
        const over = distance - reaches[f]! * (1 - MARGIN);
        if (over <= 0) continue;
        const k = over / distance;
        x += dx * k;
        y += dy * k;
        z += dz * k;
        moved = true;
      }
      if (!moved) break;
    }
    out[at] = x;
    out[at + 1] = y;
    out[at + 2] = z;
    size[f] = Math.sqrt(x * x + y * y + z * z);
    if (size[f]! > worst) worst = size[f]!;
  }
  return worst;
}

function gaussian(radius: number, sigma: number): Float64Array {
  const kernel = Float64Array.from({ length: 2 * radius + 1 }, (_, i) => Math.exp(-0.5 * ((i - radius) / sigma) ** 2));
  const sum = kernel.reduce((a, b) => a + b, 0);
  return kernel.map((w) => w / sum);
}

/** Largest value within `radius` frames (van Herk would be linear; the radius is some tens of frames). */
function widen(values: Float64Array, out: Float64Array, count: number, radius: number): void {
  for (let f = 0; f < count; f++) {
    let most = 0;
    const end = Math.min(count - 1, f + radius);
    for (let g = Math.max(0, f - radius); g <= end; g++) if (values[g]! > most) most = values[g]!;
    out[f] = most;
  }
}

function smooth(values: Float64Array, scratch: Float64Array, count: number, kernel: Float64Array): void {
  for (let k = 0; k < 3; k++) convolve(values, scratch, count, 3, k, kernel);
}

function smoothScalar(values: Float64Array, scratch: Float64Array, count: number, kernel: Float64Array): void {
  convolve(values, scratch, count, 1, 0, kernel);
}

/** Convolution of one component; beyond the ends the first and last value go on. */
function convolve(
  values: Float64Array,
  scratch: Float64Array,
  count: number,
  stride: number,
  k: number,
  kernel: Float64Array,
): void {
  const radius = (kernel.length - 1) / 2;
  for (let f = 0; f < count; f++) scratch[f] = values[f * stride + k]!;
  for (let f = 0; f < count; f++) {
    let sum = 0;
    for (let i = -radius; i <= radius; i++) {
      const g = f + i;
      sum += kernel[i + radius]! * scratch[g < 0 ? 0 : g >= count ? count - 1 : g]!;
    }
    values[f * stride + k] = sum;
  }
}
