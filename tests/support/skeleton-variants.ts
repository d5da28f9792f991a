import { axisAngleQuat, mulQuat } from '../../src/math/quat.ts';
import type { BodyInput } from '../../src/pairing/read-body.ts';
import { placeSkeleton } from '../../src/skeleton/normalise.ts';
import { buildSkeleton, type JointSource, type Skeleton } from '../../src/skeleton/skeleton.ts';
import { axisAngle } from './quat.ts';

/** Joints of a skeleton as a tree again, each with the index it had. */
export interface IndexedSource extends JointSource {
  index: number;
  children: IndexedSource[];
}

export function toSources(skeleton: Skeleton): IndexedSource[] {
  const sources: IndexedSource[] = [];
  const roots: IndexedSource[] = [];
  for (let j = 0; j < skeleton.jointCount; j++) {
    const [x, y, z, w] = skeleton.restRotations.subarray(j * 4, j * 4 + 4);
    const [tx, ty, tz] = skeleton.restTranslations.subarray(j * 3, j * 3 + 3);
    const source: IndexedSource = {
      index: j,
      name: skeleton.names[j]!,
      rotation: [x!, y!, z!, w!],
      translation: [tx!, ty!, tz!],
      children: [],
      tips: skeleton.tips.filter((tip) => tip.joint === j).map(({ offset, name }) => ({ offset, name })),
    };
    sources.push(source);
    const parent = skeleton.parents[j]!;
    (parent < 0 ? roots : sources[parent]!.children).push(source);
  }
  return roots;
}

/** A changed skeleton, and for each of its joints the index that it had before. */
export interface Variant {
  skeleton: Skeleton;
  from: number[];
}

function rebuild(roots: IndexedSource[]): Variant {
  const { skeleton, order } = buildSkeleton(roots);
  return { skeleton, from: order.map((source) => source.index) };
}

/** A small seeded generator (mulberry32), 0 to 1. */
export function seededRandom(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = state;
    t = Math.imul(t ^ (t >>> 15), t | 1);
    t ^= t + Math.imul(t ^ (t >>> 7), t | 61);
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
}

/** The same tree with siblings, and roots, in another order. */
export function shuffleJoints(skeleton: Skeleton, seed: number): Variant {
  const random = seededRandom(seed);
  const shuffle = (list: IndexedSource[]): void => {
    for (let i = list.length - 1; i > 0; i--) {
      const k = Math.floor(random() * (i + 1));
      [list[i], list[k]] = [list[k]!, list[i]!];
    }
    for (const source of list) shuffle(source.children);
  };
  const roots = toSources(skeleton);
  shuffle(roots);
  return rebuild(roots);
}

/** Without the joints (and all below them) that the test picks out. */
export function dropJoints(skeleton: Skeleton, isDropped: (joint: number) => boolean): Variant {
  const prune = (list: IndexedSource[]): IndexedSource[] =>
    list
      .filter((source) => !isDropped(source.index))
      .map((source) => ({ ...source, children: prune(source.children) }));
  return rebuild(prune(toSources(skeleton)));
}

/** Reflected in x = 0: what was left is now right. */
export function mirrorSkeleton(skeleton: Skeleton): Skeleton {
  const restRotations = skeleton.restRotations.slice();
  const restTranslations = skeleton.restTranslations.slice();
  for (let j = 0; j < skeleton.jointCount; j++) {
    restTranslations[j * 3]! *= -1;
    restRotations[j * 4 + 1]! *= -1;
    restRotations[j * 4 + 2]! *= -1;
  }
  const tips = skeleton.tips.map((tip) => ({
    ...tip,
    offset: [-tip.offset[0], tip.offset[1], tip.offset[2]] as const,
  }));
  return { ...skeleton, restRotations, restTranslations, tips };
}

/** Turned about an axis, scaled and moved as a whole. */
export function turnSkeleton(
  skeleton: Skeleton,
  axis: readonly [number, number, number],
  degrees: number,
  scale: number,
): Skeleton {
  const length = Math.hypot(...axis);
  const [x, y, z, w] = axisAngle(axis[0] / length, axis[1] / length, axis[2] / length, (degrees * Math.PI) / 180);
  return placeSkeleton(skeleton, { rotation: [x!, y!, z!, w!], scale, translation: [3, -2, 1] });
}

/** Each joint but the roots turned about a random axis by up to `degrees`. */
export function bendSkeleton(skeleton: Skeleton, degrees: number, seed: number): Skeleton {
  const random = seededRandom(seed);
  const restRotations = skeleton.restRotations.slice();
  const turn = new Float64Array(4);
  for (let j = 0; j < skeleton.jointCount; j++) {
    if (skeleton.parents[j]! < 0) continue;
    const v = [random() - 0.5, random() - 0.5, random() - 0.5];
    const length = Math.hypot(...v) || 1;
    axisAngleQuat(turn, 0, v[0]! / length, v[1]! / length, v[2]! / length, (random() * degrees * Math.PI) / 180);
    mulQuat(restRotations, j * 4, restRotations, j * 4, turn, 0);
  }
  return { ...skeleton, restRotations };
}

/** Names all joints anew. */
export function renameJoints(skeleton: Skeleton, rename: (name: string, joint: number) => string): Skeleton {
  return { ...skeleton, names: skeleton.names.map(rename) };
}

/** The input of `readBody` on a changed skeleton: the clip and the mesh are left behind, the skin's list is carried over. */
export function variantInput(input: BodyInput, { skeleton, from }: Variant): BodyInput {
  const { skinned } = input;
  const joints = Object.entries(input.table?.joints ?? {}).flatMap(([role, j]) => {
    const moved = from.indexOf(j);
    return moved < 0 ? [] : [[role, moved] as const];
  });
  return {
    skeleton,
    skinned: skinned ? Uint8Array.from(from, (j) => skinned[j]!) : undefined,
    table: input.table && { standard: input.table.standard, joints: Object.fromEntries(joints) },
    declaredMetres: input.declaredMetres,
  };
}
