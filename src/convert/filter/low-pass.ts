import { normalizeQuat } from '../../math/quat.ts';
import { type Clip, clipWith } from '../../skeleton/clip.ts';
import { lowPass } from './butterworth.ts';
import { jointRotations, turnBetween, turnedBy } from './rotation-log.ts';

export interface LowPassOptions {
  /** Hz. Common practice for body segments is 6 to 10; hands and impacts need more. */
  cutoff: number;
}

export const LOW_PASS_DEFAULTS: Readonly<LowPassOptions> = { cutoff: 8 };

/** The mean that rotations are taken against follows a motion this many times slower than the cut-off. */
const MEAN_SHARE = 4;

/**
 * A clip without what is faster than a cut-off (see `lowPass`). Rotations are filtered as rotation vectors against a
 * running mean, which moves slowly enough to pass unchanged: full turns and the sign of a quaternion do no harm.
 * The input is not touched.
 */
export function lowPassClip(clip: Clip, options: Partial<LowPassOptions> = {}): Clip {
  const { cutoff } = { ...LOW_PASS_DEFAULTS, ...options };
  const { frameCount, jointCount, frameDuration } = clip;
  const fps = 1 / frameDuration;
  if (!(cutoff > 0) || cutoff >= fps / 2 || frameCount < 3) return clip;
  const rotations = new Float32Array(clip.rotations.length);
  const channel = [0, 1, 2].map(() => new Float64Array(frameCount));
  const turn = new Float64Array(3);
  const filtered = new Float64Array(4);
  for (let j = 0; j < jointCount; j++) {
    const own = jointRotations(clip, j);
    const mean = runningMean(own, ((MEAN_SHARE / (2 * Math.PI * cutoff)) * 1) / frameDuration);
    for (let f = 0; f < frameCount; f++) {
      turnBetween(turn, mean, f * 4, own, f * 4);
      for (let k = 0; k < 3; k++) channel[k]![f] = turn[k]!;
    }
    for (const values of channel) lowPass(values, cutoff, fps);
    for (let f = 0; f < frameCount; f++) {
      for (let k = 0; k < 3; k++) turn[k] = channel[k]![f]!;
      turnedBy(filtered, 0, mean, f * 4, turn);
      rotations.set(filtered, (f * jointCount + j) * 4);
    }
  }
  const translations = new Float32Array(clip.translations.length);
  const row = clip.translationJoints.length * 3;
  for (let i = 0; i < row; i++) {
    const values = channel[0]!;
    for (let f = 0; f < frameCount; f++) values[f] = clip.translations[f * row + i]!;
    lowPass(values, cutoff, fps);
    for (let f = 0; f < frameCount; f++) translations[f * row + i] = values[f]!;
  }
  return clipWith(clip, { rotations, translations });
}

/** Mean of neighbouring rotations under Gaussian weights of standard deviation `frames`; the ends are mirrored. */
function runningMean(rotations: Float64Array, frames: number): Float64Array {
  const last = rotations.length / 4 - 1;
  const reach = Math.min(last, Math.ceil(3 * frames));
  const weights = Float64Array.from({ length: reach + 1 }, (_, i) => Math.exp(-0.5 * (i / frames) ** 2));
  const mean = new Float64Array(rotations.length);
  for (let f = 0; f <= last; f++) {
    for (let i = -reach; i <= reach; i++) {
      const g = Math.min(last, Math.abs(f + i) > last ? 2 * last - (f + i) : Math.abs(f + i));
      const w = weights[Math.abs(i)]!;
      for (let k = 0; k < 4; k++) mean[f * 4 + k]! += w * rotations[g * 4 + k]!;
    }
    normalizeQuat(mean, f * 4);
  }
  return mean;
}
