import type { Note } from '../../errors.ts';
import type { Clip } from '../../skeleton/clip.ts';
import type { Skeleton } from '../../skeleton/skeleton.ts';

/** A channel as BVH spells it. Rotations are in degrees, positions in the file's unit of length. */
export type BvhChannel = 'Xposition' | 'Yposition' | 'Zposition' | 'Xrotation' | 'Yrotation' | 'Zrotation';

/** The motion of one ROOT and what hangs from it. */
export interface BvhTake {
  /**
   * The zero pose of the file: rest rotations are the identity (BVH has no other), rest translations the OFFSETs, of
   * the root too. File space, file units. End Sites are tips.
   */
  readonly skeleton: Skeleton;
  /**
   * Local rotations: the product of a joint's rotation channels in file order (Meredith & Maddock 2001), successive
   * frames of one joint with dot ≥ 0. Position channels replace the OFFSET, component by component.
   */
  readonly clip: Clip;
  /** Channels of each joint in file order, so that `writeBvh` can keep them. */
  readonly channels: readonly (readonly BvhChannel[])[];
}

/** A BVH file as read. */
export interface BvhFile {
  /** File name as given, for messages. */
  readonly name: string;
  /** One a ROOT, in file order. */
  readonly takes: readonly BvhTake[];
  /** What a person should know about the file: see the codes in `parseBvh`. */
  readonly notes: readonly Note[];
}
