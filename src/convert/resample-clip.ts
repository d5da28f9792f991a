import { slerpQuat } from '../math/quat.ts';
import { type Clip, clipDuration, clipWith } from '../skeleton/clip.ts';

/** Two rates closer than this are one: 29.97 is not 30, but 1 / 0.0333333 is. */
const SAME_RATE = 1e-4; // Relative. BVH files write the frame time with five or six digits.

/**
 * A clip at another frame rate, from its first frame to the last one that fits into its duration. Rotations are
 * interpolated along the shorter arc, translations along a line. The very same clip where the rate is the same already.
 * @param fps  frames a second, above 0
 */
export function resampleClip(clip: Clip, fps: number): Clip {
  const { frameCount, jointCount, translationJoints } = clip;
  const step = 1 / fps / clip.frameDuration;
  if (Math.abs(step - 1) < SAME_RATE || frameCount < 2) return clip;
  // A hair more than whole is whole: a minute at 30 has its last frame.
  const count = Math.floor(clipDuration(clip) * fps + 1e-6) + 1;
  const rotations = new Float32Array(count * jointCount * 4);
  const translations = new Float32Array(count * translationJoints.length * 3);
  const a = new Float64Array(4);
  const b = new Float64Array(4);
  for (let f = 0; f < count; f++) {
    const at = f * step;
    const first = Math.min(Math.floor(at), frameCount - 1);
    const second = Math.min(first + 1, frameCount - 1);
    const t = Math.min(at - first, 1);
    for (let j = 0; j < jointCount; j++) {
      const from = (first * jointCount + j) * 4;
      const to = (second * jointCount + j) * 4;
      for (let k = 0; k < 4; k++) {
        a[k] = clip.rotations[from + k]!;
        b[k] = clip.rotations[to + k]!;
      }
      slerpQuat(a, 0, a, 0, b, 0, t);
      rotations.set(a, (f * jointCount + j) * 4);
    }
    const row = translationJoints.length * 3;
    for (let i = 0; i < row; i++) {
      const from = clip.translations[first * row + i]!;
      translations[f * row + i] = from + (clip.translations[second * row + i]! - from) * t;
    }
  }
  return clipWith(clip, { frameCount: count, frameDuration: 1 / fps, rotations, translations });
}
