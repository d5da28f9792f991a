import { mulQuat, rotateAddVec } from '../math/quat.ts';
import type { Clip } from './clip.ts';
import { createWorldPose, type Skeleton, type WorldPose } from './skeleton.ts';

/** Reads world poses of some joints of a clip, at the cost of these and of what carries them. */
export interface PartialPose {
  readonly clip: Clip;
  /** The last pose that was read, strides as of every world pose; joints that were not asked for are zero. */
  readonly pose: WorldPose;
  readonly parents: Int16Array;
  /** Joints that are asked for and all above them, parents first. */
  readonly joints: Int16Array;
  /** Of those, the ones whose translation moves, and where in the clip's translations it is found. */
  readonly moving: Int16Array;
  readonly slots: Int16Array;
  /** Local translations of the frame that was read. */
  readonly offsets: Float64Array;
  readonly local: Float64Array;
}

/** Allocates all that `readPartialPose` needs. */
export function createPartialPose(skeleton: Skeleton, clip: Clip, asked: Iterable<number>): PartialPose {
  const { parents, jointCount, restTranslations } = skeleton;
  const needed = new Uint8Array(jointCount);
  for (const joint of asked) for (let j = joint; j >= 0 && !needed[j]; j = parents[j]!) needed[j] = 1;
  const slots = clip.translationJoints.map((_, slot) => slot).filter((slot) => needed[clip.translationJoints[slot]!]);
  return {
    clip,
    pose: createWorldPose(jointCount),
    parents,
    joints: Int16Array.from([...needed.keys()].filter((j) => needed[j])),
    moving: slots.map((slot) => clip.translationJoints[slot]!),
    slots,
    offsets: restTranslations.slice(),
    local: new Float64Array(4),
  };
}

/** World pose of frame `f`: the same numbers as `framePose` gives. It is overwritten by the next call; nothing is allocated. */
export function readPartialPose(partial: PartialPose, f: number): WorldPose {
  const { clip, pose, parents, joints, moving, slots, offsets, local } = partial;
  const { rotations, positions } = pose;
  const { translations } = clip;
  const row = f * clip.translationJoints.length;
  for (let m = 0; m < moving.length; m++) {
    const at = (row + slots[m]!) * 3;
    const j = moving[m]! * 3;
    offsets[j] = translations[at]!;
    offsets[j + 1] = translations[at + 1]!;
    offsets[j + 2] = translations[at + 2]!;
  }
  const from = clip.rotations;
  for (let i = 0; i < joints.length; i++) {
    const j = joints[i]!;
    const p = parents[j]!;
    const at = (f * clip.jointCount + j) * 4;
    if (p < 0) {
      for (let k = 0; k < 4; k++) rotations[j * 4 + k] = from[at + k]!;
      for (let k = 0; k < 3; k++) positions[j * 3 + k] = offsets[j * 3 + k]!;
      continue;
    }
    local[0] = from[at]!;
    local[1] = from[at + 1]!;
    local[2] = from[at + 2]!;
    local[3] = from[at + 3]!;
    mulQuat(rotations, j * 4, rotations, p * 4, local, 0);
    rotateAddVec(positions, j * 3, rotations, p * 4, offsets, j * 3, positions, p * 3);
  }
  return pose;
}
