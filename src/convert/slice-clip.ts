import { type Clip, clipWith } from '../skeleton/clip.ts';

/** Frames `from` … `to - 1` as a clip of their own; the arrays are views, not copies. */
export function sliceClip(clip: Clip, from: number, to: number): Clip {
  const row = clip.jointCount * 4;
  const moving = clip.translationJoints.length * 3;
  return clipWith(clip, {
    frameCount: to - from,
    rotations: clip.rotations.subarray(from * row, to * row),
    translations: clip.translations.subarray(from * moving, to * moving),
  });
}
