import { type Clip, clipWith } from '../../skeleton/clip.ts';
import type { Skeleton } from '../../skeleton/skeleton.ts';
import { jointRotations, turnBetween, turnedBy } from './rotation-log.ts';

/**
 * Makes a cycle close: the last frame becomes the first one again, in pose and in speed. What they differ by is spread
 * over the whole clip, half of it before and half behind, so that no moment is bent much.
 *
 * A joint without a parent, and each joint in `travelling`, keeps its horizontal travel: a walk goes on where it ended.
 * Translations are local; a travelling joint's parent has to stand upright (Y up), as the root of a rig does.
 *
 * @param travelling  joints whose way is kept, mostly the hips
 * The input is not touched. A clip of fewer than four frames comes back as it is.
 */
export function closeLoop(clip: Clip, skeleton: Skeleton, travelling: readonly number[] = []): Clip {
  const { frameCount, jointCount, translationJoints } = clip;
  if (frameCount < 4) return clip;
  const last = frameCount - 1;
  const rotations = clip.rotations.slice();
  const translations = clip.translations.slice();
  const gap = new Float64Array(3);
  const start = new Float64Array(3);
  const stop = new Float64Array(3);
  const turn = new Float64Array(3);
  const q = new Float64Array(4);
  for (let j = 0; j < jointCount; j++) {
    const own = jointRotations(clip, j);
    turnBetween(gap, own, last * 4, own, 0);
    slopeAt(start, own, 0, 1);
    slopeAt(stop, own, last, -1);
    for (let f = 0; f <= last; f++) {
      for (let k = 0; k < 3; k++) turn[k] = spread(f, last, gap[k]!, start[k]! - stop[k]!);
      turnedBy(q, 0, own, f * 4, turn);
      rotations.set(q, (f * jointCount + j) * 4);
    }
    // To the last digit: half a turn to either side rounds differently.
    rotations.copyWithin((last * jointCount + j) * 4, j * 4, j * 4 + 4);
  }
  const row = translationJoints.length * 3;
  for (let m = 0; m < translationJoints.length; m++) {
    const joint = translationJoints[m]!;
    const travels = skeleton.parents[joint]! < 0 || travelling.includes(joint);
    for (let k = 0; k < 3; k++) {
      const at = (f: number): number => clip.translations[f * row + m * 3 + k]!;
      const isWay = travels && k !== 1;
      const apart = isWay ? 0 : at(0) - at(last);
      const faster =
        2 * (at(1) - at(0)) - (at(2) - at(0)) / 2 - (2 * (at(last) - at(last - 1)) - (at(last) - at(last - 2)) / 2);
      for (let f = 0; f <= last; f++) translations[f * row + m * 3 + k] = at(f) + spread(f, last, apart, faster);
      if (!isWay) translations[last * row + m * 3 + k] = translations[m * 3 + k]!;
    }
  }
  return clipWith(clip, { rotations, translations });
}

/** Speed at an end, radians a frame, from three frames: exact for a turn of constant acceleration. */
function slopeAt(out: Float64Array, own: Float64Array, f: number, inward: 1 | -1): void {
  turnBetween(out, own, f * 4, own, (f + inward) * 4);
  turnBetween(FARTHER, own, f * 4, own, (f + 2 * inward) * 4);
  for (let k = 0; k < 3; k++) out[k] = inward * (2 * out[k]! - FARTHER[k]! / 2);
}

const FARTHER = new Float64Array(3);

/**
 * Correction of frame `f` for a gap (first less last value) and a difference of speeds (first less last, a frame): c with
 * c(end) − c(start) = gap and c′(end) − c′(start) = the difference, of zero mean.
 */
function spread(f: number, last: number, gap: number, speeds: number): number {
  const u = f / last;
  return gap * (u - 0.5) + 0.5 * speeds * last * (u * u - u + 1 / 6);
}
