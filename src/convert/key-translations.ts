import { type Clip, clipWith } from '../skeleton/clip.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';

/** The same motion, with translation keys for further joints, at their rest offsets. The rotations are shared. */
export function keyTranslations(clip: Clip, { restTranslations }: Skeleton, joints: readonly number[]): Clip {
  const all = [...new Set([...clip.translationJoints, ...joints])].sort((a, b) => a - b);
  const row = clip.translationJoints.length * 3;
  const translations = new Float32Array(clip.frameCount * all.length * 3);
  const from = all.map((joint) => clip.translationJoints.indexOf(joint));
  for (let f = 0; f < clip.frameCount; f++) {
    for (let m = 0; m < all.length; m++) {
      const to = (f * all.length + m) * 3;
      const n = from[m]!;
      for (let k = 0; k < 3; k++) {
        translations[to + k] = n < 0 ? restTranslations[all[m]! * 3 + k]! : clip.translations[f * row + n * 3 + k]!;
      }
    }
  }
  return clipWith(clip, { translationJoints: Int16Array.from(all), translations });
}
