import { identityAffine, invertAffine, transformPoint } from '../../math/affine.ts';
import { identityQuat, invertQuat, mulInverseQuat, mulQuat } from '../../math/quat.ts';
import type { NodeTree } from './nodes.ts';

/**
 * Links the joints of a rigid skeleton to glTF nodes, and converts local transforms exactly both ways:
 * joint rotation = aboveRotation · node rotation · flip, joint offset = above · node translation.
 * All arrays are read-only.
 */
export interface NodeBinding {
  /** glTF node index a joint. */
  nodes: Int32Array;
  /**
   * Affine 3 × 4 a joint (row-major, jointCount × 12): for a root the world matrix of the nodes above it; for any other
   * joint what is left of its parent's world matrix once its rigid transform is taken out, which is mostly its
   * accumulated scale.
   */
  above: Float64Array;
  /** Inverse of each `above`; zeros where a scale is zero. */
  aboveInverse: Float64Array;
  /** Rotation of the nodes above a root, jointCount × 4; the identity for all other joints. */
  aboveRotations: Float64Array;
  /** Half turn that stands for a mirrored scale of the node, jointCount × 4; mostly the identity. */
  flips: Float64Array;
  /** What the joint's rigid world transform leaves of its node's world matrix, jointCount × 12 (last column zero). */
  remainders: Float64Array;
  /** The node's own scale at node rest, jointCount × 3. */
  scales: Float64Array;
}

/** @param nodes  node index a joint; a joint is a root where its parent node is not among them */
export function bindNodes(tree: NodeTree, nodes: Int32Array, parents: Int16Array): NodeBinding {
  const jointCount = nodes.length;
  const binding: NodeBinding = {
    nodes,
    above: new Float64Array(jointCount * 12),
    aboveInverse: new Float64Array(jointCount * 12),
    aboveRotations: new Float64Array(jointCount * 4),
    flips: new Float64Array(jointCount * 4),
    remainders: new Float64Array(jointCount * 12),
    scales: new Float64Array(jointCount * 3),
  };
  for (let j = 0; j < jointCount; j++) {
    const i = nodes[j]!;
    const parent = tree.parents[i]!;
    identityQuat(binding.aboveRotations, j * 4);
    if (parent < 0) {
      identityAffine(binding.above, j * 12);
    } else if (parents[j]! < 0) {
      binding.above.set(tree.worlds.subarray(parent * 12, parent * 12 + 12), j * 12);
      binding.aboveRotations.set(tree.worldRotations.subarray(parent * 4, parent * 4 + 4), j * 4);
    } else {
      binding.above.set(tree.remainders.subarray(parent * 12, parent * 12 + 12), j * 12);
    }
    invertAffine(binding.aboveInverse, j * 12, binding.above, j * 12);
    binding.flips.set(tree.flips.subarray(i * 4, i * 4 + 4), j * 4);
    binding.remainders.set(tree.remainders.subarray(i * 12, i * 12 + 12), j * 12);
    binding.scales.set(tree.scales.subarray(i * 3, i * 3 + 3), j * 3);
  }
  return binding;
}

/** out = node rotation of joint `j` for its local rotation at `rotations[i]`. `out` may be the input. Allocates nothing. */
export function toNodeRotation(
  binding: NodeBinding,
  j: number,
  rotations: Float64Array,
  i: number,
  out: Float64Array,
  o: number,
): void {
  mulInverseQuat(out, o, binding.aboveRotations, j * 4, rotations, i);
  invertQuat(scratch, 0, binding.flips, j * 4);
  mulQuat(out, o, out, o, scratch, 0);
}

/** out = node translation of joint `j` for its local offset at `translations[i]`. `out` may be the input. */
export function toNodeTranslation(
  binding: NodeBinding,
  j: number,
  translations: Float64Array,
  i: number,
  out: Float64Array,
  o: number,
): void {
  transformPoint(out, o, binding.aboveInverse, j * 12, translations, i);
}

/** out = local rotation of joint `j` for its node's rotation at `rotations[i]`. `out` may be the input. */
export function fromNodeRotation(
  binding: NodeBinding,
  j: number,
  rotations: Float64Array,
  i: number,
  out: Float64Array,
  o: number,
): void {
  mulQuat(out, o, binding.aboveRotations, j * 4, rotations, i);
  mulQuat(out, o, out, o, binding.flips, j * 4);
}

/** out = local offset of joint `j` for its node's translation at `translations[i]`. `out` may be the input. */
export function fromNodeTranslation(
  binding: NodeBinding,
  j: number,
  translations: Float64Array,
  i: number,
  out: Float64Array,
  o: number,
): void {
  transformPoint(out, o, binding.above, j * 12, translations, i);
}

/**
 * Node rotations (jointCount × 4) and translations (jointCount × 3) of one pose: what to write into `rotation` and
 * `translation` of each joint's node so that it shows that pose. `out` may be the input. Allocates nothing.
 * @param local  as in `Skeleton`: for a root in world space
 */
export function toNodeTransforms(
  binding: NodeBinding,
  local: { rotations: Float64Array; translations: Float64Array },
  out: { rotations: Float64Array; translations: Float64Array },
): void {
  for (let j = 0; j < binding.nodes.length; j++) {
    toNodeRotation(binding, j, local.rotations, j * 4, out.rotations, j * 4);
    toNodeTranslation(binding, j, local.translations, j * 3, out.translations, j * 3);
  }
}

/** The reverse of `toNodeTransforms`. */
export function fromNodeTransforms(
  binding: NodeBinding,
  node: { rotations: Float64Array; translations: Float64Array },
  out: { rotations: Float64Array; translations: Float64Array },
): void {
  for (let j = 0; j < binding.nodes.length; j++) {
    fromNodeRotation(binding, j, node.rotations, j * 4, out.rotations, j * 4);
    fromNodeTranslation(binding, j, node.translations, j * 3, out.translations, j * 3);
  }
}

const scratch = new Float64Array(4);
