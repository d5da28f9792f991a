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

/** A frame as it comes in, of every take in order. The arrays are reused: copy what is to be kept. */
export interface BvhFrame {
  /** From 0. */
  index: number;
  /** Channel values in file order: degrees and file units, as `parseFloat` reads them. */
  values: Float64Array;
  /** Local rotations, xyzw, jointCount × 4, one array a take. */
  rotations: Float32Array[];
  /** Translations of the take's `translationJoints`, × 3, one array a take. */
  translations: Float32Array[];
}

/** Who is told what while a file comes in. */
export interface BvhReaderOptions {
  /** Called once, when the hierarchy is complete and before any frame. */
  onHierarchy?: (skeletons: readonly Skeleton[], frameDuration: number) => void;
  /** Called for each frame as soon as its last number is complete. */
  onFrame?: (frame: BvhFrame) => void;
  /** false: only `onFrame` gets the frames, the result has none, and memory stays constant. Default true. */
  keepFrames?: boolean;
}
