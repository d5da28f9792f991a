import type { Note } from '../../errors.ts';
import type { Skeleton } from '../../skeleton/skeleton.ts';
import type { SkinMesh } from '../../skeleton/skin.ts';
import type { GltfContainer } from './container.ts';
import type { NodeBinding } from './node-binding.ts';
import type { NodeTree } from './nodes.ts';

export type { NodeBinding } from './node-binding.ts';

export type ReferencePoseKind = 'node rest' | 'bind pose' | 'first key';

/** What a file itself says about which node plays which humanoid bone (VRM 0.x and 1.0). */
export interface HumanoidTable {
  standard: 'VRM 0.x' | 'VRM 1.0';
  /** Bone name as VRM 1.0 spells it → skeleton joint. */
  joints: { [role: string]: number };
}

/** A posture that a file offers as reference pose: local rotations and offsets as in `Skeleton`. */
export interface CandidatePose {
  kind: ReferencePoseKind;
  /** For a first key: index of its animation. */
  animation?: number;
  rotations: Float64Array;
  translations: Float64Array;
}

/** A glTF file read as a character. */
export interface Character {
  name: string;
  container: GltfContainer;
  /** File space (glTF: Y up), file units, in the chosen reference pose. */
  skeleton: Skeleton;
  binding: NodeBinding;
  /** All nodes of the file at node rest, joints or not. */
  nodes: NodeTree;
  /** Whether any skin lists the joint, a joint. */
  skinned: Uint8Array;
  /** Empty when the file has no mesh that joints move. */
  skins: SkinMesh[];
  referencePose: { kind: ReferencePoseKind; animation?: number; reason: string };
  /**
   * The file's candidates that were not chosen: node rest always, the bind pose where there is one that differs from
   * it, and of the first keys the one that looks most like a T.
   */
  otherPoses: CandidatePose[];
  humanoidTable: HumanoidTable | null;
  /** Duration: seconds to the latest key. An animation without a name is called `#` and its index. */
  animations: { name: string; duration: number }[];
  notes: Note[];
}
