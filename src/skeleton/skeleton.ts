import { copyQuat, mulQuat, rotateVec } from '../math/quat.ts';
import { addVec } from '../math/vec.ts';

/** A point that ends a limb without being a joint of its own: a BVH End Site, a leaf node below a joint. */
export interface Tip {
  /** The joint it is fixed to. */
  joint: number;
  /** Where it sits in that joint's frame, [x, y, z]. */
  offset: readonly [number, number, number];
  name?: string;
}

/**
 * A joint tree in its rest pose, packed. Rigid: every joint has a rotation and an offset, and no scale; a reader bakes
 * the scales of its file into the offsets. Parents come before children, depth first, so the descendants of `j` are
 * the range `j + 1 … subtreeEnd[j] - 1`.
 *
 * Read-only once built. A file may hold several roots: a detached foot control and the pelvis, for instance.
 */
export interface Skeleton {
  readonly jointCount: number;
  /** One a joint, not necessarily unique; a joint without a name is written `#` and its index in the file. */
  readonly names: readonly string[];
  /** Parent index a joint, -1 for a root. */
  readonly parents: Int16Array;
  /** One past the last descendant of each joint. */
  readonly subtreeEnd: Int16Array;
  /** Local rest rotations, xyzw, jointCount × 4. For a root: in world space. */
  readonly restRotations: Float64Array;
  /** Local rest offsets, jointCount × 3, in the skeleton's unit of length. For a root: in world space. */
  readonly restTranslations: Float64Array;
  readonly tips: readonly Tip[];
}

/** One joint as a reader finds it, before packing. Children in file order. */
export interface JointSource {
  name: string;
  /** Local rest rotation xyzw; for a root in world space. */
  rotation: readonly [number, number, number, number];
  translation: readonly [number, number, number];
  children: JointSource[];
  tips?: { offset: readonly [number, number, number]; name?: string }[];
}

/**
 * Packs joint trees depth first. `order[j]` is the source object of joint `j`, so that a reader can find its own
 * data again. Recursion-free: a chain of 30,000 joints packs.
 */
export function buildSkeleton<T extends JointSource>(roots: readonly T[]): { skeleton: Skeleton; order: T[] } {
  const order: T[] = [];
  const parentList: number[] = [];
  const stack: { source: T; parent: number }[] = [];
  for (let i = roots.length - 1; i >= 0; i--) stack.push({ source: roots[i]!, parent: -1 });
  while (stack.length > 0) {
    const { source, parent } = stack.pop()!;
    const j = order.length;
    order.push(source);
    parentList.push(parent);
    for (let i = source.children.length - 1; i >= 0; i--) stack.push({ source: source.children[i] as T, parent: j });
  }
  const jointCount = order.length;
  const parents = Int16Array.from(parentList);
  const subtreeEnd = new Int16Array(jointCount);
  for (let j = jointCount - 1; j >= 0; j--) {
    subtreeEnd[j] = Math.max(subtreeEnd[j]!, j + 1);
    const p = parents[j]!;
    if (p >= 0) subtreeEnd[p] = Math.max(subtreeEnd[p]!, subtreeEnd[j]!);
  }
  const restRotations = new Float64Array(jointCount * 4);
  const restTranslations = new Float64Array(jointCount * 3);
  const tips: Tip[] = [];
  for (let j = 0; j < jointCount; j++) {
    const source = order[j]!;
    restRotations.set(source.rotation, j * 4);
    restTranslations.set(source.translation, j * 3);
    for (const tip of source.tips ?? []) tips.push({ joint: j, ...tip });
  }
  const names = order.map((source) => source.name);
  return { skeleton: { jointCount, names, parents, subtreeEnd, restRotations, restTranslations, tips }, order };
}

/** World rotations (xyzw, jointCount × 4) and positions (jointCount × 3) of one pose. */
export interface WorldPose {
  rotations: Float64Array;
  positions: Float64Array;
}

export function createWorldPose(jointCount: number): WorldPose {
  return { rotations: new Float64Array(jointCount * 4), positions: new Float64Array(jointCount * 3) };
}

/**
 * Forward kinematics of one pose: world[j] = world[parent] · local[j].
 *
 * @param localRotations     xyzw, jointCount × 4
 * @param localTranslations  jointCount × 3
 * @param out                overwritten; nothing is allocated
 */
export function forwardKinematics(
  parents: Int16Array,
  localRotations: Float64Array,
  localTranslations: Float64Array,
  out: WorldPose,
): void {
  const { rotations, positions } = out;
  for (let j = 0; j < parents.length; j++) {
    const p = parents[j]!;
    if (p < 0) {
      copyQuat(rotations, j * 4, localRotations, j * 4);
      positions[j * 3] = localTranslations[j * 3]!;
      positions[j * 3 + 1] = localTranslations[j * 3 + 1]!;
      positions[j * 3 + 2] = localTranslations[j * 3 + 2]!;
    } else {
      mulQuat(rotations, j * 4, rotations, p * 4, localRotations, j * 4);
      rotateVec(positions, j * 3, rotations, p * 4, localTranslations, j * 3);
      addVec(positions, j * 3, positions, j * 3, positions, p * 3);
    }
  }
}

/** World pose of the rest pose. Allocates its result. */
export function restWorldPose(skeleton: Skeleton): WorldPose {
  const pose = createWorldPose(skeleton.jointCount);
  forwardKinematics(skeleton.parents, skeleton.restRotations, skeleton.restTranslations, pose);
  return pose;
}

/** Whether `ancestor` is `j` itself or stands above it. */
export function isWithin(skeleton: Skeleton, ancestor: number, j: number): boolean {
  return j >= ancestor && j < skeleton.subtreeEnd[ancestor]!;
}

/** Children of a joint, in file order. */
export function childrenOf(skeleton: Skeleton, joint: number): number[] {
  const children: number[] = [];
  for (let j = joint + 1; j < skeleton.subtreeEnd[joint]!; j = skeleton.subtreeEnd[j]!) children.push(j);
  return children;
}

/** Joints from `ancestor` down to `joint`, both included; empty when `joint` is not below `ancestor`. */
export function pathBetween(skeleton: Skeleton, ancestor: number, joint: number): number[] {
  const path: number[] = [];
  for (let j = joint; j >= 0; j = skeleton.parents[j]!) {
    path.push(j);
    if (j === ancestor) return path.reverse();
  }
  return [];
}
