import { RigproofError } from '../errors.ts';
import { selectInPlace } from '../math/select.ts';
import type { Side } from '../skeleton/side.ts';

/** Where the heel and the ball of one foot are: each frames × 3, metres, Y up. */
export interface FootPoints {
  heel: Float64Array;
  ball: Float64Array;
}

/** The four points in the order that the contact code keeps everywhere: left heel, left ball, right heel, right ball. */
export type PointSet = readonly [Float64Array, Float64Array, Float64Array, Float64Array];

/**
 * Half of the span over which a speed is measured. 25 ms: about the interval between two frames of the slowest clips (30 Hz), so
 * that one foot gives the same speeds at 30 and at 240 Hz; a stance edge is blurred by less than one frame of 60 Hz.
 */
export const HALF_WINDOW = 0.025; // s
/** The span widens up to this where the points are noisy. */
const HALF_WINDOW_MAX = 0.08; // s
/** Noise in a speed that is still small beside the slowest step: as leg lengths a second. */
const SPEED_NOISE_MAX = 0.03;

/** Four points checked for shape, gaps filled by straight lines between the neighbours. Copies only what has gaps. */
export function checkedPoints(feet: Record<Side, FootPoints>, fps: number): PointSet {
  if (!(fps > 0 && Number.isFinite(fps))) {
    throw new RigproofError(
      'CONTACT_FRAME_RATE',
      `The frame rate is ${fps}; a positive number of frames a second is needed.`,
    );
  }
  const length = feet.left.heel.length;
  const named = {
    'left heel': feet.left.heel,
    'left ball': feet.left.ball,
    'right heel': feet.right.heel,
    'right ball': feet.right.ball,
  };
  for (const [name, point] of Object.entries(named)) {
    if (point.length === length && length % 3 === 0 && length > 0) continue;
    throw new RigproofError(
      'CONTACT_POINT_SIZE',
      `The ${name} has ${point.length} values; each point needs frames × 3, at least one frame, and as many as the left heel (${length}).`,
    );
  }
  return [
    filled(feet.left.heel, 'left heel'),
    filled(feet.left.ball, 'left ball'),
    filled(feet.right.heel, 'right heel'),
    filled(feet.right.ball, 'right ball'),
  ];
}

function filled(point: Float64Array, name: string): Float64Array {
  let sum = 0;
  for (let i = 0; i < point.length; i++) sum += point[i]!;
  if (Number.isFinite(sum)) return point;
  const out = point.slice();
  const frameCount = out.length / 3;
  for (let k = 0; k < 3; k++) {
    let last = -1;
    for (let f = 0; f < frameCount; f++) {
      if (!Number.isFinite(out[f * 3 + k]!)) continue;
      const value = out[f * 3 + k]!;
      const before = last < 0 ? value : out[last * 3 + k]!;
      for (let g = last + 1; g < f; g++) {
        const t = last < 0 ? 1 : (g - last) / (f - last);
        out[g * 3 + k] = before + (value - before) * t;
      }
      last = f;
    }
    if (last < 0) throw new RigproofError('CONTACT_POINT_EMPTY', `The ${name} has no finite value in any frame.`);
    for (let g = last + 1; g < frameCount; g++) out[g * 3 + k] = out[last * 3 + k]!;
  }
  return out;
}

/**
 * The value below which `share` of the first `count` values lie; reorders them. By selection, which takes
 * linear time on average: sorting them all took more than half of the time of `detectContacts`.
 */
export function quantile(values: Float64Array, count: number, share: number): number {
  if (count === 0) return 0;
  const k = Math.min(count - 1, Math.max(0, Math.round(share * (count - 1))));
  selectInPlace(values, 0, count - 1, k);
  return values[k]!;
}

/** Samples a statistic of a clip is taken from: at most this many, evenly spread, so that its cost does not grow. */
export const SAMPLES_MAX = 512;

/**
 * Leg length of the one who stands on these feet, from the distance between heel and ball. Foot length is 0.152 and the
 * height of the hip 0.530 of stature (Drillis & Contini 1966, as printed in Winter, Biomechanics and Motor Control of
 * Human Movement). The ball lies at about 0.73 of the foot (value from memory), a marker on the shoe further out: 0.85
 * lies between the two, which leaves an error of some 15 % that the thresholds bear.
 */
export function legLengthFromFeet(points: PointSet): number {
  const frameCount = points[0].length / 3;
  const step = Math.max(1, Math.floor(frameCount / SAMPLES_MAX));
  const lengths = new Float64Array(2 * (Math.ceil(frameCount / step) + 1));
  let count = 0;
  for (let f = 0; f < frameCount; f += step) {
    for (let p = 0; p < 4; p += 2) {
      const a = points[p]!;
      const b = points[p + 1]!;
      lengths[count++] = Math.hypot(
        a[f * 3]! - b[f * 3]!,
        a[f * 3 + 1]! - b[f * 3 + 1]!,
        a[f * 3 + 2]! - b[f * 3 + 2]!,
      );
    }
  }
  const length = quantile(lengths, count, 0.5) * (0.53 / (0.152 * 0.85));
  return length > 1e-6 ? length : 0.9;
}

/** Velocity of one point: frames × 3, m/s. */
export interface PointMotion {
  velocity: Float64Array;
  /** Standard deviation of the speed that comes from noise alone, m/s. */
  noise: number;
}

/**
 * Velocity by the least-squares slope over a short span on both sides of each frame (the linear Savitzky–Golay
 * differentiator, Savitzky & Golay 1964), which gets longer where the trajectory is noisy.
 */
export function pointMotion(point: Float64Array, fps: number, legLength: number): PointMotion {
  const frameCount = point.length / 3;
  const position = positionNoise(point);
  let half = Math.max(1, Math.round(HALF_WINDOW * fps));
  const halfMax = Math.max(half, Math.round(HALF_WINDOW_MAX * fps));
  while (half < halfMax && slopeNoise(position, half, fps) > SPEED_NOISE_MAX * legLength) half++;
  const velocity = new Float64Array(point.length);
  const scale = fps / ((half * (half + 1) * (2 * half + 1)) / 3);
  for (let f = 0; f < frameCount; f++) {
    let x = 0;
    let y = 0;
    let z = 0;
    if (f >= half && f + half < frameCount) {
      for (let k = 1, back = f * 3, on = f * 3; k <= half; k++) {
        back -= 3;
        on += 3;
        x += k * (point[on]! - point[back]!);
        y += k * (point[on + 1]! - point[back + 1]!);
        z += k * (point[on + 2]! - point[back + 2]!);
      }
      x *= scale;
      y *= scale;
      z *= scale;
    } else {
      // Near the ends, the slope of the frames there are.
      const first = Math.max(0, f - half);
      const last = Math.min(frameCount - 1, f + half);
      let squares = 0;
      for (let g = first; g <= last; g++) {
        const k = g - (first + last) / 2;
        squares += k * k;
        x += k * point[g * 3]!;
        y += k * point[g * 3 + 1]!;
        z += k * point[g * 3 + 2]!;
      }
      const k = squares > 0 ? fps / squares : 0;
      x *= k;
      y *= k;
      z *= k;
    }
    velocity[f * 3] = x;
    velocity[f * 3 + 1] = y;
    velocity[f * 3 + 2] = z;
  }
  return { velocity, noise: slopeNoise(position, half, fps) * Math.sqrt(3) };
}

/** Standard deviation of a least-squares slope over 2·half + 1 frames of white noise. */
function slopeNoise(position: number, half: number, fps: number): number {
  return (position * fps) / Math.sqrt((half * (half + 1) * (2 * half + 1)) / 3);
}

/**
 * White noise in a coordinate, from third differences: those of a smooth motion are tiny, those of noise σ have
 * variance (1 + 9 + 9 + 1)·σ². The lower quartile is taken, so that steps and spikes do not count; for a normal
 * distribution a quarter of |x| lies below 0.3186 σ.
 */
function positionNoise(point: Float64Array): number {
  const frameCount = point.length / 3;
  if (frameCount < 8) return 0;
  const step = Math.max(1, Math.floor((frameCount - 3) / SAMPLES_MAX));
  const differences = new Float64Array(3 * (Math.ceil(frameCount / step) + 1));
  let count = 0;
  for (let f = 0; f + 3 < frameCount; f += step) {
    for (let at = f * 3; at < f * 3 + 3; at++) {
      differences[count++] = Math.abs(point[at + 9]! - 3 * point[at + 6]! + 3 * point[at + 3]! - point[at]!);
    }
  }
  return quantile(differences, count, 0.25) / (0.3186 * Math.sqrt(20));
}
