import type { Clip } from '../../src/skeleton/clip.ts';
import { axisAngle, product } from './quat.ts';
import type { Walker } from './walker.ts';

/** A copy of the clip in which a joint is turned further, about an axis in its own frame, in some frames. */
export function turned(
  clip: Clip,
  joint: number,
  frames: [number, number],
  axis: [number, number, number],
  angle: number,
): Clip {
  const rotations = clip.rotations.slice();
  const extra = axisAngle(...axis, angle);
  for (let f = frames[0]; f <= frames[1]; f++) {
    const at = (f * clip.jointCount + joint) * 4;
    rotations.set(product(rotations.subarray(at, at + 4), extra), at);
  }
  return { ...clip, rotations };
}

/** A copy in which `joint` also has translations: `offset(f)` metres away from its rest offset. */
export function moved(
  walk: Pick<Walker, 'clip' | 'skeleton'>,
  joint: number,
  offset: (f: number) => [number, number, number],
): Clip {
  const { clip, skeleton } = walk;
  const joints = [...clip.translationJoints, joint].sort((a, b) => a - b);
  const translations = new Float32Array(clip.frameCount * joints.length * 3);
  for (let f = 0; f < clip.frameCount; f++)
    joints.forEach((j, m) => {
      const old = clip.translationJoints.indexOf(j);
      const add = j === joint ? offset(f) : [0, 0, 0];
      for (let k = 0; k < 3; k++)
        translations[(f * joints.length + m) * 3 + k] =
          add[k]! +
          (old >= 0
            ? clip.translations[(f * clip.translationJoints.length + old) * 3 + k]!
            : skeleton.restTranslations[j * 3 + k]!);
    });
  return { ...clip, translationJoints: Int16Array.from(joints), translations };
}
