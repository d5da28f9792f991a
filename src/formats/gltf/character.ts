import type { Note } from '../../errors.ts';
import type { Clip } from '../../skeleton/clip.ts';
import type { Skeleton } from '../../skeleton/skeleton.ts';
import type { SkinMesh } from '../../skeleton/skin.ts';
import type { GltfContainer } from './container.ts';

export type ReferencePoseKind = 'node rest' | 'bind pose' | 'first key';

/** What a file itself says about which node plays which humanoid bone (VRM 0.x and 1.0). */
export interface HumanoidTable {
  standard: 'VRM 0.x' | 'VRM 1.0';
  /** Bone name as VRM 1.0 spells it → skeleton joint. */
  joints: { [role: string]: number };
}

/** Links a rigid skeleton joint to its glTF node, and back. All arrays are read-only. */
export interface NodeBinding {
  /** glTF node index a joint. */
  nodes: Int32Array;
  /**
   * Affine 3 × 4 (row-major, jointCount × 12) of what stands above a joint's node and is not animated by us:
   * for a root the world matrix of the nodes above it; for any other joint the parent joint's accumulated scale.
   * Node translation = inverse(above) · offset, and so on: see `toNodeTransforms`.
   */
  above: Float64Array;
  /** The node's own TRS scale in the reference pose, jointCount × 3. */
  scales: Float64Array;
}

/** A glTF file read as a character. */
export interface Character {
  name: string;
  container: GltfContainer;
  /** File space (glTF: Y up), file units, in the chosen reference pose. */
  skeleton: Skeleton;
  binding: NodeBinding;
  /** Whether any skin lists the joint, a joint. */
  skinned: Uint8Array;
  /** Empty when the file has no mesh that joints move. */
  skins: SkinMesh[];
  referencePose: { kind: ReferencePoseKind; reason: string };
  /** What the file's other candidates look like: local rotations and offsets as in `Skeleton`. */
  otherPoses: { kind: ReferencePoseKind; rotations: Float64Array; translations: Float64Array }[];
  humanoidTable: HumanoidTable | null;
  animations: { name: string; duration: number }[];
  notes: Note[];
}

/** Reads animation `index` as a clip on the character's skeleton, sampled at `fps` frames a second. */
export type ReadAnimation = (character: Character, index: number, fps: number) => Clip;
