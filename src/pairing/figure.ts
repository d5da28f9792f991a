import { rotateXyz } from '../math/quat.ts';
import { childrenOf, type Skeleton, type WorldPose } from '../skeleton/skeleton.ts';
import { distance, type Point, plus, pointAt } from './point.ts';

/** A skeleton in one pose with what its shape is read from. File space, file units. */
export interface Figure {
  skeleton: Skeleton;
  children: number[][];
  /** World position of each joint. */
  points: Point[];
  /** World positions of the tips fixed to each joint. */
  tips: Point[][];
  /** Distance from the parent, which no pose changes; 0 for a root. */
  boneLengths: Float64Array;
  /** Longest way down from each joint through its descendants to a joint or tip, along the bones. */
  reach: Float64Array;
  /** Largest extent of all joints and tips in this pose, along any file axis. */
  extent: number;
}

export function readFigure(skeleton: Skeleton, pose: WorldPose): Figure {
  const { jointCount, parents, restTranslations } = skeleton;
  const points = Array.from({ length: jointCount }, (_, j) => pointAt(pose.positions, j));
  const tips: Point[][] = points.map(() => []);
  const reach = new Float64Array(jointCount);
  const out = new Float64Array(3);
  for (const tip of skeleton.tips) {
    rotateXyz(out, 0, pose.rotations, tip.joint * 4, ...tip.offset);
    tips[tip.joint]!.push(plus(points[tip.joint]!, [out[0]!, out[1]!, out[2]!]));
    reach[tip.joint] = Math.max(reach[tip.joint]!, Math.hypot(...tip.offset));
  }
  const boneLengths = new Float64Array(jointCount);
  for (let j = jointCount - 1; j >= 0; j--) {
    const p = parents[j]!;
    if (p < 0) continue;
    boneLengths[j] = Math.hypot(...pointAt(restTranslations, j));
    reach[p] = Math.max(reach[p]!, boneLengths[j]! + reach[j]!);
  }
  const all = [...points, ...tips.flat()];
  let extent = 0;
  for (let k = 0; k < 3; k++) {
    let low = Number.POSITIVE_INFINITY;
    let high = Number.NEGATIVE_INFINITY;
    for (const p of all) {
      low = Math.min(low, p[k]!);
      high = Math.max(high, p[k]!);
    }
    extent = Math.max(extent, high - low);
  }
  const children = points.map((_, j) => childrenOf(skeleton, j));
  return { skeleton, children, points, tips, boneLengths, reach, extent };
}

/** Roots of the joint tree. */
export function rootsOf(skeleton: Skeleton): number[] {
  const roots: number[] = [];
  for (let j = 0; j < skeleton.jointCount; j = skeleton.subtreeEnd[j]!) roots.push(j);
  return roots;
}

/** Ways through the tree from `top` down to each joint below it, itself first; at most `depth` joints long. */
export function pathsBelow(figure: Figure, top: number, depth: number): number[][] {
  const paths: number[][] = [];
  const walk = (path: number[]): void => {
    paths.push(path);
    if (path.length < depth) for (const child of figure.children[path[path.length - 1]!]!) walk([...path, child]);
  };
  walk([top]);
  return paths;
}

/** Joints from `a` to `b` through the tree, both included, up first and then down; empty across two roots. */
export function treePath(skeleton: Skeleton, a: number, b: number): number[] {
  const up: number[] = [];
  for (let j = a; j >= 0; j = skeleton.parents[j]!) {
    up.push(j);
    if (b >= j && b < skeleton.subtreeEnd[j]!) {
      const down: number[] = [];
      for (let k = b; k !== j; k = skeleton.parents[k]!) down.push(k);
      return [...up, ...down.reverse()];
    }
  }
  return [];
}

/** Deepest joint that stands above all the given ones (or is one of them); -1 across roots. */
export function commonAncestor(skeleton: Skeleton, joints: readonly number[]): number {
  for (let j = joints[0] ?? -1; j >= 0; j = skeleton.parents[j]!) {
    if (joints.every((k) => k >= j && k < skeleton.subtreeEnd[j]!)) return j;
  }
  return -1;
}

/** The point where a joint's bone ends: its only tip, the middle of what hangs on it, or null where nothing does. */
export function endPoint(figure: Figure, joint: number): Point | null {
  const below = [...figure.children[joint]!.map((child) => figure.points[child]!), ...figure.tips[joint]!].filter(
    (p) => distance(p, figure.points[joint]!) > 1e-6 * figure.extent,
  );
  if (below.length === 0) return null;
  const sum = below.reduce((a, b) => plus(a, b));
  return [sum[0] / below.length, sum[1] / below.length, sum[2] / below.length];
}
