import { principalAxes } from '../math/principal-axes.ts';
import { type Figure, rootsOf } from './figure.ts';
import { areMirroredNames, type NameReading } from './names.ts';
import { centre, dot, median, minus, norm, type Point, plus, times } from './point.ts';

/** Which joints mirror each other, and the plane that they mirror in. */
export interface Symmetry {
  /** Partner on the other side; a joint of the middle is its own; -1 for a joint without one. */
  mirror: Int16Array;
  /** Pairs whose parents are joints of the middle (or roots): where limbs leave the trunk. */
  tops: { a: number; b: number; likeness: number }[];
  /** Unit normal of the plane, along the body's left or right: which one is not known here. */
  normal: Point;
  /** The plane is normal · p = offset. */
  offset: number;
  /** How far the pairs' differences agree on one direction, 0 (any) to 1 (all the same). */
  sharpness: number;
}

/** Two subtrees less alike than this are not each other's mirror image. */
const MIN_LIKENESS = 0.5;
/** Lengths that differ by this share of the longer one are half alike: rigs and measured bodies are not exact. */
const LENGTH_TOLERANCE = 0.25;
/** Pairs are compared by place within this share of the extent; place only settles what lengths leave open. */
const PLACE_TOLERANCE = 0.2;
const PLACE_WEIGHT = 0.25;
/** What a pair loses of which only one joint moves the mesh; a stray weight parts no pair. */
const MESH_WEIGHT = 0.15;
/** Left and right lie this share of the extent apart across the plane; spine and tail do not. */
const APART_TOLERANCE = 0.015;
/** A lone joint further from the plane than this share of the extent is none of the middle; bent rest poses lean. */
const MIDDLE_TOLERANCE = 0.25;

interface Plane {
  normal: Point;
  offset: number;
}

/**
 * Finds mirror pairs from the top of the tree: among the children of a joint of the middle, two subtrees of like bone
 * lengths are a pair; below a pair, children are matched across. The plane that the pairs give then settles
 * what lengths leave open. Neither pose nor joint order nor names are needed; mirrored names help.
 * @param deforms  1 where a joint moves the mesh: of several copies of a limb, those that do are each other's image
 */
export function findSymmetry(
  figure: Figure,
  names: readonly NameReading[],
  deforms: Uint8Array | null = null,
): Symmetry {
  const first = pairJoints(figure, names, deforms, null);
  const plane = fitPlane(figure, first.mirror);
  const second = pairJoints(figure, names, deforms, plane.sharpness > 0.5 ? plane : null);
  const refined = fitPlane(figure, second.mirror);
  dropStrays(figure, second.mirror, refined);
  return { ...second, ...refined };
}

function pairJoints(
  figure: Figure,
  names: readonly NameReading[],
  deforms: Uint8Array | null,
  plane: Plane | null,
): { mirror: Int16Array; tops: Symmetry['tops'] } {
  const { skeleton, children } = figure;
  const mirror = new Int16Array(skeleton.jointCount).fill(-1);
  const tops: Symmetry['tops'] = [];
  const likeness = likenessOf(figure, names, deforms, plane);

  const matchAcross = (a: number, b: number): void => {
    mirror[a] = b;
    mirror[b] = a;
    for (const { i, j } of bestMatches(children[a]!, children[b]!, likeness)) matchAcross(i, j);
  };
  const pairsAmong = (siblings: readonly number[]): { i: number; j: number; value: number }[] => {
    const pairs: { i: number; j: number; value: number }[] = [];
    for (let i = 0; i < siblings.length; i++) {
      for (let j = i + 1; j < siblings.length; j++) {
        const [a, b] = [siblings[i]!, siblings[j]!];
        const value = likeness(a, b);
        if (value <= MIN_LIKENESS) continue;
        const isSpoken = areMirroredNames(names[a]!, names[b]!);
        if (isSpoken || (canBeOpposite(figure, a, b, plane) && value >= Math.min(ownLikeness(a), ownLikeness(b)))) {
          pairs.push({ i: a, j: b, value });
        }
      }
    }
    pairs.sort((p, q) => q.value - p.value || figure.reach[q.i]! - figure.reach[p.i]!);
    const taken = new Set<number>();
    return pairs.filter(({ i, j }) => {
      if (taken.has(i) || taken.has(j)) return false;
      taken.add(i).add(j);
      return true;
    });
  };
  // How well a subtree is its own mirror image: controls and trunk that hang side by side each are, an arm is not.
  const known = new Map<number, number>();
  const ownLikeness = (top: number): number => {
    const before = known.get(top);
    if (before !== undefined) return before;
    let sum = 0;
    let paired = 0;
    const collect = (siblings: readonly number[]): void => {
      const pairs = pairsAmong(siblings);
      for (const { i, j, value } of pairs) {
        const size = skeleton.subtreeEnd[i]! - i + skeleton.subtreeEnd[j]! - j;
        sum += value * size;
        paired += size;
      }
      for (const k of siblings) if (!pairs.some(({ i, j }) => i === k || j === k)) collect(children[k]!);
    };
    collect(children[top]!);
    const share = paired / (skeleton.subtreeEnd[top]! - top);
    const own = paired > 0 ? (sum / paired) * Math.sqrt(share) : 0;
    known.set(top, own);
    return own;
  };
  const splitMiddle = (siblings: readonly number[]): void => {
    const taken = new Set<number>();
    for (const { i, j, value } of pairsAmong(siblings)) {
      taken.add(i).add(j);
      tops.push({ a: i, b: j, likeness: value });
      matchAcross(i, j);
    }
    for (const joint of siblings) {
      if (taken.has(joint)) continue;
      mirror[joint] = joint;
      splitMiddle(children[joint]!);
    }
  };
  splitMiddle(rootsOf(skeleton));
  return { mirror, tops };
}

/** Likeness of two subtrees as mirror images, 0 to 1 (a little more for mirrored names); answers are kept. */
function likenessOf(
  figure: Figure,
  names: readonly NameReading[],
  deforms: Uint8Array | null,
  plane: Plane | null,
): (a: number, b: number) => number {
  const known = new Map<number, number>();
  const { children, boneLengths, reach, extent, skeleton } = figure;
  const sizeOf = (j: number): number => skeleton.subtreeEnd[j]! - j;
  const likeLength = (x: number, y: number): number => {
    const difference = Math.abs(x - y) / (Math.max(x, y) + 0.01 * extent);
    return Math.exp(-((difference / LENGTH_TOLERANCE) ** 2));
  };
  const likeness = (a: number, b: number): number => {
    const key = Math.min(a, b) * skeleton.jointCount + Math.max(a, b);
    const before = known.get(key);
    if (before !== undefined) return before;
    let sum = 0.6 * likeLength(boneLengths[a]!, boneLengths[b]!) + 0.4 * likeLength(reach[a]!, reach[b]!);
    let weight = 1;
    for (const { i, j, value } of bestMatches(children[a]!, children[b]!, likeness)) {
      sum += value * Math.min(sizeOf(i), sizeOf(j));
      weight += Math.min(sizeOf(i), sizeOf(j));
    }
    // Joints that only one side has count half: hair, an end joint that one hand lacks.
    weight += 0.5 * Math.abs(sizeOf(a) - sizeOf(b));
    let value = sum / weight;
    if (plane) {
      const miss = norm(minus(reflect(figure.points[a]!, plane), figure.points[b]!)) / (PLACE_TOLERANCE * extent);
      value -= PLACE_WEIGHT * Math.min(1, miss);
    }
    if (deforms && deforms[a] !== deforms[b]) value -= MESH_WEIGHT;
    const [nameA, nameB] = [names[a]!, names[b]!];
    if (areMirroredNames(nameA, nameB)) value += 0.4;
    else if (nameA.side !== null && nameB.side !== null) value -= 0.2;
    known.set(key, value);
    return value;
  };
  return likeness;
}

/** Greedy best matches between two sets of siblings. */
function bestMatches(
  left: readonly number[],
  right: readonly number[],
  likeness: (a: number, b: number) => number,
): { i: number; j: number; value: number }[] {
  const pairs = left.flatMap((i) => right.map((j) => ({ i, j, value: likeness(i, j) })));
  pairs.sort((p, q) => q.value - p.value);
  const taken = new Set<number>();
  return pairs.filter(({ i, j, value }) => {
    if (value < 0.2 || taken.has(i) || taken.has(j)) return false;
    taken.add(i).add(j);
    return true;
  });
}

/** Two subtrees that lie on one another, or one in front of the other, are not left and right. */
function canBeOpposite(figure: Figure, a: number, b: number, plane: Plane | null): boolean {
  const { points, tips, skeleton, extent } = figure;
  const mean = (top: number): Point => {
    const cloud: Point[] = [];
    for (let j = top; j < skeleton.subtreeEnd[top]!; j++) cloud.push(points[j]!, ...tips[j]!);
    return centre(cloud);
  };
  const differences = [minus(mean(a), mean(b)), minus(points[a]!, points[b]!)];
  if (!plane) return differences.some((d) => norm(d) > 1e-4 * extent);
  return differences.some((d) => Math.abs(dot(d, plane.normal)) > APART_TOLERANCE * extent);
}

function reflect(p: Point, { normal, offset }: Plane): Point {
  return minus(p, times(normal, 2 * (dot(p, normal) - offset)));
}

/**
 * The plane square to what the pairs' differences have in common: their first principal axis. Differences count by
 * direction, so that wide arms do not outweigh all else; short ones count less, as they are the least exact.
 */
function fitPlane(figure: Figure, mirror: Int16Array): Plane & { sharpness: number } {
  const { points, extent } = figure;
  const differences: Point[] = [];
  const middles: Point[] = [];
  for (let j = 0; j < mirror.length; j++) {
    const partner = mirror[j]!;
    if (partner <= j) continue;
    const d = minus(points[j]!, points[partner]!);
    const length = norm(d);
    if (length < 1e-4 * extent) continue;
    differences.push(times(d, Math.sqrt(Math.min(1, length / (0.1 * extent))) / length));
    middles.push(times(plus(points[j]!, points[partner]!), 0.5));
  }
  if (differences.length === 0) return { normal: [1, 0, 0], offset: points[0]?.[0] ?? 0, sharpness: 0 };
  const { axes, shares } = principalAxes(differences);
  const normal = axes[0]!;
  return { normal, offset: median(middles.map((m) => dot(m, normal))), sharpness: shares[0]! };
}

/** A lone joint far off the plane (a weapon, a pouch) is none of the middle, unless pairs hang below it. */
function dropStrays(figure: Figure, mirror: Int16Array, plane: Plane): void {
  const { skeleton, points, extent } = figure;
  for (let j = mirror.length - 1; j >= 0; j--) {
    if (mirror[j] !== j || Math.abs(dot(points[j]!, plane.normal) - plane.offset) <= MIDDLE_TOLERANCE * extent)
      continue;
    const carriesMore = mirror.subarray(j + 1, skeleton.subtreeEnd[j]!).some((partner) => partner !== -1);
    if (!carriesMore) mirror[j] = -1;
  }
}
