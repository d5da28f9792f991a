import type { GLTF } from '@gltf-transform/core';
import { identityAffine, mulAffine, rigidAffine } from '../../math/affine.ts';
import { identityQuat, invertQuat, mulQuat, normalizeQuat, quatFromMatrix } from '../../math/quat.ts';
import type { CheckedDocument } from './check-document.ts';
import type { GltfContainer } from './container.ts';

/** The JSON of a container as a typed document; `parseContainer` has checked its structure. */
export function documentOf(container: GltfContainer): CheckedDocument {
  return container.json as unknown as CheckedDocument;
}

/** The name of a node, or `#` and its index where it has none. */
export function nodeName(node: GLTF.INode, index: number): string {
  return node.name ? node.name : `#${index}`;
}

/**
 * All nodes of a document as arrays, at node rest. A local transform is T · R · L, where L is the scale, or whatever a
 * matrix holds besides translation and rotation.
 *
 * The world transform is split into a rigid part and a remainder, world = [rigid rotation | position] · remainder, so
 * that a skeleton without scales can stand for the nodes. The rotations of a chain are multiplied as if there were no
 * scales: node rotation and rigid local rotation are then the same number, and converting is exact both ways. A scale
 * with a negative factor is taken as a half turn (`flips`) and, if one or three factors are negative, a point
 * inversion, which commutes with every rotation and stays in the remainder.
 */
export interface NodeTree {
  count: number;
  /** -1 for a root. */
  parents: Int32Array;
  /** Depth first from the roots, parents before children, in file order. */
  order: Int32Array;
  /** Local, count × 3, 4, 3. */
  translations: Float64Array;
  rotations: Float64Array;
  scales: Float64Array;
  /** L of each node, count × 12; its last column is zero. */
  linears: Float64Array;
  /** Half turn that stands for the signs of the scale, count × 4; mostly the identity. */
  flips: Float64Array;
  /** World matrix, count × 12. */
  worlds: Float64Array;
  /** Rigid world rotation, count × 4. */
  worldRotations: Float64Array;
  /** Remainder, count × 12; its last column is zero. */
  remainders: Float64Array;
}

export function readNodes(container: GltfContainer): NodeTree {
  const nodes = documentOf(container).nodes ?? [];
  const count = nodes.length;
  const tree: NodeTree = {
    count,
    parents: new Int32Array(count).fill(-1),
    order: new Int32Array(count),
    translations: new Float64Array(count * 3),
    rotations: new Float64Array(count * 4),
    scales: new Float64Array(count * 3).fill(1),
    linears: new Float64Array(count * 12),
    flips: new Float64Array(count * 4),
    worlds: new Float64Array(count * 12),
    worldRotations: new Float64Array(count * 4),
    remainders: new Float64Array(count * 12),
  };
  nodes.forEach((node, i) => {
    for (const child of node.children ?? []) tree.parents[child] = i;
    readLocal(node, i, tree);
  });
  let filled = 0;
  const stack: number[] = [];
  for (let root = 0; root < count; root++) {
    if (tree.parents[root]! >= 0) continue;
    stack.push(root);
    while (stack.length > 0) {
      const i = stack.pop()!;
      tree.order[filled++] = i;
      const { children } = nodes[i]!;
      for (let k = (children?.length ?? 0) - 1; k >= 0; k--) stack.push(children![k]!);
    }
  }
  const local = new Float64Array(12);
  for (const i of tree.order) {
    const parent = tree.parents[i]!;
    localAffine(tree, i, local);
    if (parent < 0) tree.worlds.set(local, i * 12);
    else mulAffine(tree.worlds, i * 12, tree.worlds, parent * 12, local, 0);
    const above = parent < 0 ? IDENTITY : tree.remainders;
    const at = parent < 0 ? 0 : parent * 12;
    remainder(tree.remainders, i * 12, above, at, tree.rotations, i * 4, tree.flips, i * 4, tree.linears, i * 12);
    mulQuat(tree.worldRotations, i * 4, tree.rotations, i * 4, tree.flips, i * 4);
    if (parent >= 0) {
      mulQuat(tree.worldRotations, i * 4, tree.worldRotations, parent * 4, tree.worldRotations, i * 4);
    }
    normalizeQuat(tree.worldRotations, i * 4);
  }
  return tree;
}

const IDENTITY = new Float64Array(12);
identityAffine(IDENTITY, 0);

function readLocal(node: GLTF.INode, i: number, tree: NodeTree): void {
  const { translations, rotations, scales, linears, flips } = tree;
  if (node.matrix) {
    decompose(node.matrix, i, tree);
  } else {
    translations.set(node.translation ?? [0, 0, 0], i * 3);
    rotations.set(node.rotation ?? [0, 0, 0, 1], i * 4);
    normalizeQuat(rotations, i * 4);
    scales.set(node.scale ?? [1, 1, 1], i * 3);
    for (let k = 0; k < 3; k++) linears[i * 12 + k * 5] = scales[i * 3 + k]!;
  }
  scaleFlip(scales, i * 3, flips, i * 4);
}

/** out = the half turn that stands for the signs of a scale; the identity where all are alike. */
export function scaleFlip(scales: Float64Array, i: number, out: Float64Array, o: number): void {
  const negative = [0, 1, 2].filter((k) => scales[i + k]! < 0).length;
  identityQuat(out, o);
  if (negative === 0 || negative === 3) return;
  // One axis differs from the other two: turn about it.
  for (let k = 0; k < 3; k++) {
    const differs = negative === 1 ? scales[i + k]! < 0 : scales[i + k]! >= 0;
    if (!differs) continue;
    out[o + k] = 1;
    out[o + 3] = 0;
  }
}

/**
 * Splits a column-major 4 × 4 matrix into translation, rotation, scale and L. Scale is the length of each column, the
 * first negative for a mirrored matrix; the rotation has its x and y in the plane of the first two columns. Shear, if
 * any, stays in L.
 */
function decompose(m: readonly number[], i: number, tree: NodeTree): void {
  const { translations, rotations, scales, linears } = tree;
  translations.set([m[12]!, m[13]!, m[14]!], i * 3);
  let sx = Math.hypot(m[0]!, m[1]!, m[2]!);
  const sy = Math.hypot(m[4]!, m[5]!, m[6]!);
  const sz = Math.hypot(m[8]!, m[9]!, m[10]!);
  const determinant =
    m[0]! * (m[5]! * m[10]! - m[6]! * m[9]!) -
    m[4]! * (m[1]! * m[10]! - m[2]! * m[9]!) +
    m[8]! * (m[1]! * m[6]! - m[2]! * m[5]!);
  if (determinant < 0) sx = -sx;
  scales.set([sx, sy, sz], i * 3);
  if (determinant === 0) {
    identityQuat(rotations, i * 4);
  } else {
    const x = [m[0]! / sx, m[1]! / sx, m[2]! / sx] as const;
    const along = (x[0] * m[4]! + x[1] * m[5]! + x[2] * m[6]!) / sy;
    const y = [m[4]! / sy - along * x[0], m[5]! / sy - along * x[1], m[6]! / sy - along * x[2]] as const;
    const length = Math.hypot(...y);
    const [yx, yy, yz] = [y[0] / length, y[1] / length, y[2] / length];
    const zx = x[1] * yz - x[2] * yy;
    const zy = x[2] * yx - x[0] * yz;
    const zz = x[0] * yy - x[1] * yx;
    quatFromMatrix(rotations, i * 4, x[0], x[1], x[2], yx, yy, yz, zx, zy, zz);
  }
  // L = R⁻¹ · matrix
  const turn = new Float64Array(12);
  invertQuat(scratchQuat, 0, rotations, i * 4);
  rigidAffine(turn, 0, scratchQuat, 0, ORIGIN, 0);
  for (let row = 0; row < 3; row++) {
    for (let column = 0; column < 3; column++) {
      let sum = 0;
      for (let k = 0; k < 3; k++) sum += turn[row * 4 + k]! * m[column * 4 + k]!;
      linears[i * 12 + row * 4 + column] = sum;
    }
  }
}

function localAffine(tree: NodeTree, i: number, out: Float64Array): void {
  rigidAffine(scratchTurn, 0, tree.rotations, i * 4, tree.translations, i * 3);
  mulAffine(out, 0, scratchTurn, 0, tree.linears, i * 12);
}

/**
 * out = flip⁻¹ · rotation⁻¹ · above · rotation · linear: what remains of a node's world matrix once the rigid rotations
 * are taken out. Allocates nothing.
 */
export function remainder(
  out: Float64Array,
  o: number,
  above: Float64Array,
  a: number,
  rotations: Float64Array,
  r: number,
  flips: Float64Array,
  f: number,
  linears: Float64Array,
  l: number,
): void {
  rigidAffine(scratchTurn, 0, rotations, r, ORIGIN, 0);
  mulAffine(scratchA, 0, above, a, scratchTurn, 0);
  mulAffine(scratchB, 0, scratchA, 0, linears, l);
  mulQuat(scratchQuat, 0, rotations, r, flips, f);
  invertQuat(scratchQuat, 0, scratchQuat, 0);
  rigidAffine(scratchTurn, 0, scratchQuat, 0, ORIGIN, 0);
  mulAffine(scratchA, 0, scratchTurn, 0, scratchB, 0);
  for (let k = 0; k < 12; k++) out[o + k] = k % 4 === 3 ? 0 : scratchA[k]!;
}

const ORIGIN = new Float64Array(3);
const scratchTurn = new Float64Array(12);
const scratchA = new Float64Array(12);
const scratchB = new Float64Array(12);
const scratchQuat = new Float64Array(4);
