import { forwardKinematics, type Skeleton, type WorldPose } from './skeleton.ts';

/**
 * A motion on one skeleton, frame-major and packed. Values are local: for a root, in world space.
 *
 * `rotations[(f * jointCount + j) * 4 + k]` for every joint; `translations[(f * moving + m) * 3 + k]` for the joints
 * listed in `translationJoints` (moving = its length); all other joints keep their rest offset.
 */
export interface Clip {
  readonly name: string;
  readonly frameCount: number;
  /** Seconds between two frames. */
  readonly frameDuration: number;
  readonly jointCount: number;
  readonly rotations: Float32Array;
  /** Joints whose translation moves, ascending. */
  readonly translationJoints: Int16Array;
  readonly translations: Float32Array;
}

/** An all-zero clip of the given size, to be filled by its maker. */
export function createClip(
  name: string,
  frameCount: number,
  frameDuration: number,
  jointCount: number,
  translationJoints: readonly number[] | Int16Array,
): Clip {
  return {
    name,
    frameCount,
    frameDuration,
    jointCount,
    rotations: new Float32Array(frameCount * jointCount * 4),
    translationJoints: Int16Array.from(translationJoints),
    translations: new Float32Array(frameCount * translationJoints.length * 3),
  };
}

/**
 * A clip with some of its parts replaced; it shares the others. Written out rather than spread: all clips then have one
 * hidden class, which stays for good, and so does the code that was compiled for it.
 */
export function clipWith(clip: Clip, parts: Partial<Clip>): Clip {
  return {
    name: parts.name ?? clip.name,
    frameCount: parts.frameCount ?? clip.frameCount,
    frameDuration: parts.frameDuration ?? clip.frameDuration,
    jointCount: parts.jointCount ?? clip.jointCount,
    rotations: parts.rotations ?? clip.rotations,
    translationJoints: parts.translationJoints ?? clip.translationJoints,
    translations: parts.translations ?? clip.translations,
  };
}

/** Local rotations and translations of one frame, in Float64, ready for forward kinematics. */
export interface LocalPose {
  rotations: Float64Array;
  translations: Float64Array;
}

/** A local pose that holds the rest pose. */
export function restLocalPose(skeleton: Skeleton): LocalPose {
  return { rotations: skeleton.restRotations.slice(), translations: skeleton.restTranslations.slice() };
}

/**
 * Copies frame `f` into `out`. `out.translations` must already hold the rest offsets (see `restLocalPose`):
 * only the joints that move are written. Allocates nothing.
 */
export function readFrame(clip: Clip, f: number, out: LocalPose): void {
  const { jointCount, rotations, translationJoints, translations } = clip;
  const size = jointCount * 4;
  for (let k = 0, at = f * size; k < size; k++, at++) out.rotations[k] = rotations[at]!;
  const moving = translationJoints.length;
  for (let m = 0, at = f * moving * 3; m < moving; m++, at += 3) {
    const j = translationJoints[m]! * 3;
    out.translations[j] = translations[at]!;
    out.translations[j + 1] = translations[at + 1]!;
    out.translations[j + 2] = translations[at + 2]!;
  }
}

/** World pose of frame `f`; `scratch` and `out` are overwritten. Allocates nothing. */
export function framePose(skeleton: Skeleton, clip: Clip, f: number, scratch: LocalPose, out: WorldPose): void {
  readFrame(clip, f, scratch);
  forwardKinematics(skeleton.parents, scratch.rotations, scratch.translations, out);
}

/** Seconds from the first frame to the last; a single frame lasts nothing. */
export function clipDuration(clip: Clip): number {
  return Math.max(0, clip.frameCount - 1) * clip.frameDuration;
}
