import { RigproofError } from '../../errors.ts';
import type { GltfContainer } from './container.ts';
import { documentOf, type NodeTree } from './nodes.ts';

/** Which nodes make the skeleton. */
export interface JointSelection {
  /** One a node: 1 for a joint. */
  isJoint: Uint8Array;
  /** Nodes that end a limb: childless, no mesh, below a joint; their node index by the joint's node index. */
  tips: Map<number, number[]>;
  /** One a node: 1 where the node belongs to the scene that is shown. */
  inScene: Uint8Array;
  /** Whether the default scene holds no skeleton, so that all nodes were used. */
  sceneIgnored: boolean;
}

/** A tree without skin, table or keys is taken for a rig from this many nodes and levels on: fewer are a scene. */
const PLAUSIBLE_NODES = 8;
const PLAUSIBLE_LEVELS = 4;
/** Keys alone make a rig from this many moving nodes on: fewer are a turntable or a door. */
const PLAUSIBLE_MOVING = 3;

/**
 * Chooses the joints among the nodes of the scene that is shown (the default one, else the first, else all nodes):
 *
 * 1. the joints of every skin, and the nodes of the humanoid table;
 * 2. without either: nodes whose rotation or translation is keyed, from three on; without those, a tree without
 *    cameras and lights of at least eight nodes on four levels;
 * 3. nodes above a joint that keys really move;
 * 4. every node between two joints;
 * 5. below a joint: every node that keys really move, and every branch that holds no mesh, camera or light; the
 *    childless ends of all these are tips and not joints, unless keys move them;
 * 6. beside a topmost joint, under the same node: branches that hold no mesh, camera or light (IK controls, pole
 *    targets), except a childless node at the very place of its parent.
 *
 * Nodes above that nothing moves are no joints: they are folded into the roots.
 *
 * @param moving  one a node: 1 where keys take its rotation or translation away from node rest
 * @throws RigproofError `GLTF_NO_SKELETON`
 */
export function selectJoints(
  container: GltfContainer,
  tree: NodeTree,
  tableNodes: Iterable<number>,
  moving: Uint8Array,
): JointSelection {
  const { nodes = [], skins = [] } = documentOf(container);
  let inScene = sceneNodes(container, tree);
  const wanted = new Set<number>(tableNodes);
  for (const skin of skins) for (const joint of skin.joints) wanted.add(joint);
  let sceneIgnored = false;
  if (wanted.size > 0 && ![...wanted].some((i) => inScene[i])) {
    sceneIgnored = true;
    inScene = new Uint8Array(tree.count).fill(1);
  }
  const isJoint = new Uint8Array(tree.count);
  for (const i of wanted) isJoint[i] = inScene[i]!;
  const holdsThings = branchesWith(tree, (i) => {
    const node = nodes[i]!;
    return node.mesh !== undefined || node.camera !== undefined || node.extensions?.KHR_lights_punctual !== undefined;
  });
  if (wanted.size === 0) {
    const keyed = tree.order.filter((i) => moving[i] && inScene[i]);
    if (keyed.length >= PLAUSIBLE_MOVING) for (const i of keyed) isJoint[i] = 1;
    else for (const i of plausibleTree(tree, inScene, nodes.map(isThing))) isJoint[i] = 1;
  }
  if (!isJoint.includes(1)) {
    throw new RigproofError(
      'GLTF_NO_SKELETON',
      `The file has ${nodes.length} nodes, but no skin, no humanoid table, and no hierarchy that could be a skeleton.`,
      { file: container.name, pointer: '/skins' },
      { hint: 'Export the character together with its armature and skin.' },
    );
  }
  markAbove(tree, isJoint, moving);
  const hasJointAbove = new Uint8Array(tree.count);
  const tips = new Map<number, number[]>();
  for (const i of tree.order) {
    const parent = tree.parents[i]!;
    if (parent < 0) continue;
    hasJointAbove[i] = isJoint[parent]! | hasJointAbove[parent]!;
    if (!hasJointAbove[i] || isJoint[i]) continue;
    if (moving[i]) isJoint[i] = 1;
    else if (isJoint[parent] && !holdsThings[i]) {
      if (isLeaf(nodes[i]!)) tips.set(parent, [...(tips.get(parent) ?? []), i]);
      else isJoint[i] = 1;
    }
  }
  markBeside(tree, isJoint, holdsThings, moving, inScene, tips, nodes);
  // Moving nodes below, or added beside, may have opened new gaps between joints.
  markAbove(tree, isJoint, moving);
  return { isJoint, tips, inScene, sceneIgnored };
}

/** Makes the node right above each topmost joint a joint too: one that can carry a figure's travel. */
export function addNodesAbove(tree: NodeTree, isJoint: Uint8Array): void {
  const above = new Set<number>();
  for (let i = 0; i < tree.count; i++) {
    const parent = tree.parents[i]!;
    if (isJoint[i] && parent >= 0 && !isJoint[parent]) above.add(parent);
  }
  for (const i of above) isJoint[i] = 1;
}

type Node = NonNullable<ReturnType<typeof documentOf>['nodes']>[number];

const isLeaf = (node: Node): boolean => (node.children?.length ?? 0) === 0;
const isThing = (node: Node): boolean =>
  node.camera !== undefined || node.extensions?.KHR_lights_punctual !== undefined;

function sceneNodes(container: GltfContainer, tree: NodeTree): Uint8Array {
  const { scenes = [], scene = 0 } = documentOf(container);
  const roots = scenes[scene]?.nodes;
  const inScene = new Uint8Array(tree.count);
  if (roots === undefined) return inScene.fill(1);
  for (const root of roots) inScene[root] = 1;
  for (const i of tree.order) if (tree.parents[i]! >= 0 && inScene[tree.parents[i]!]) inScene[i] = 1;
  return inScene;
}

/** One a node: 1 where the node or one below it is such a thing. */
function branchesWith(tree: NodeTree, is: (i: number) => boolean): Uint8Array {
  const found = new Uint8Array(tree.count);
  for (let k = tree.count - 1; k >= 0; k--) {
    const i = tree.order[k]!;
    if (is(i)) found[i] = 1;
    const parent = tree.parents[i]!;
    if (found[i] && parent >= 0) found[parent] = 1;
  }
  return found;
}

/** Marks the nodes between two joints, and moving nodes above a joint with those between. */
function markAbove(tree: NodeTree, isJoint: Uint8Array, moving: Uint8Array): void {
  for (let k = tree.count - 1; k >= 0; k--) {
    const i = tree.order[k]!;
    if (!isJoint[i]) continue;
    let top = -1;
    for (let p = tree.parents[i]!; p >= 0; p = tree.parents[p]!) {
      if (isJoint[p] || moving[p]) top = p;
      if (isJoint[p]) break; // what stands above is marked when the walk comes to that joint
    }
    if (top < 0) continue;
    for (let p = tree.parents[i]!; p >= 0; p = tree.parents[p]!) {
      isJoint[p] = 1;
      if (p === top) break;
    }
  }
}

function markBeside(
  tree: NodeTree,
  isJoint: Uint8Array,
  holdsThings: Uint8Array,
  moving: Uint8Array,
  inScene: Uint8Array,
  tips: Map<number, number[]>,
  nodes: readonly Node[],
): void {
  const armatures = new Set<number>();
  for (let i = 0; i < tree.count; i++) {
    const parent = tree.parents[i]!;
    if (isJoint[i] && parent >= 0 && !isJoint[parent]) armatures.add(parent);
  }
  const beside = new Uint8Array(tree.count);
  for (const i of tree.order) {
    const parent = tree.parents[i]!;
    if (parent < 0 || isJoint[i] || holdsThings[i] || !inScene[i]) continue;
    if (beside[parent]) {
      if (isLeaf(nodes[i]!) && !moving[i]) tips.set(parent, [...(tips.get(parent) ?? []), i]);
      else beside[i] = isJoint[i] = 1;
    } else if (armatures.has(parent)) {
      const t = tree.translations;
      const atParent = t[i * 3] === 0 && t[i * 3 + 1] === 0 && t[i * 3 + 2] === 0;
      if (!(atParent && isLeaf(nodes[i]!) && !moving[i])) beside[i] = isJoint[i] = 1;
    }
  }
}

/** The nodes of the largest tree that could be a rig without skin and keys; none where no tree is large enough. */
function plausibleTree(tree: NodeTree, inScene: Uint8Array, excluded: boolean[]): number[] {
  const level = new Int32Array(tree.count);
  const root = new Int32Array(tree.count);
  const members = new Map<number, number[]>();
  const deepest = new Map<number, number>();
  for (const i of tree.order) {
    if (!inScene[i]) continue;
    const parent = tree.parents[i]!;
    const isRoot = parent < 0 || !inScene[parent];
    level[i] = isRoot ? 1 : level[parent]! + 1;
    root[i] = isRoot ? i : root[parent]!;
    if (excluded[i]) continue;
    const list = members.get(root[i]!) ?? [];
    list.push(i);
    members.set(root[i]!, list);
    deepest.set(root[i]!, Math.max(deepest.get(root[i]!) ?? 0, level[i]!));
  }
  let best: number[] = [];
  for (const [top, list] of members) {
    if (list.length < PLAUSIBLE_NODES || deepest.get(top)! < PLAUSIBLE_LEVELS) continue;
    if (list.length > best.length) best = list;
  }
  return best;
}
