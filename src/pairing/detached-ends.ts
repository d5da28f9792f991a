import type { Side } from '../skeleton/side.ts';
import type { Figure } from './figure.ts';
import { type LimbChain, type LimbContext, type LimbKind, readLimb } from './limbs.ts';
import { distance, dot, minus, norm, type Point, squareTo, unit } from './point.ts';
import { lengthEvidence, SHARE_OF_HEIGHT } from './proportions.ts';

/** Both limbs of a pair with ends from outside, and what speaks for that. */
export interface DetachedReading {
  limbs: [LimbChain, LimbChain];
  score: number;
}

/** A foot or hand joint outside its limb lies about this share of the height from where the limb ends. */
const DETACHED_REACH = 0.04;
/** Nothing that reaches further than this share of the height is a foot or a hand. */
const LONGEST_END = 0.25;
/** Ends that are tried with all readings of a limb, and the log evidence from which on they are. */
const MAX_READINGS = 4;
const LEAST_HOPE = -8;
/** Log evidence lost, a limb, for an end that hangs elsewhere: few do. */
const DETACHED = -1;
/** For an end that moves the mesh, and against one that does not, inside the limb and outside. */
const MOVES = 1;
/** For a limb of which all that looked like knee and foot, or elbow and hand, are twist joints. */
const MAKES_TWISTS = 1.5;
/** Shares of a bone between which a joint beside it is a twist joint, and how far off it lies at most. */
const TWIST_FROM = 0.1;
const TWIST_TO = 0.9;
const TWIST_ASIDE = 0.08;

/**
 * Foot or hand joints that stand outside their limb, under the root or beside it, where IK drives them. Each pair of
 * mirrored joints near enough is tried as the ends of both limbs, and the limbs are read again towards them: what
 * looked like the end may be a twist joint. Best first.
 * @param sides  sides of the two limbs, where they are known
 */
export function detachedReadings(
  context: LimbContext,
  limbs: readonly [LimbChain, LimbChain],
  sides: readonly [Side | null, Side | null],
): DetachedReading[] {
  const { figure, prior } = context;
  const { skeleton } = figure;
  const { kind } = limbs[0];
  const isInside = (j: number): boolean => limbs.some(({ top }) => j >= top && j < skeleton.subtreeEnd[top]!);
  const read = (i: 0 | 1, end: number): LimbChain | null => {
    const limb = readLimb(context, limbs[i].top, kind, sides[i], end);
    if (!limb) return null;
    const score = limb.score + endEvidence(context, limb.upper, limb.lower, end, kind);
    return { ...limb, score: score + (makesTwists(figure, limb, limbs[i]) ? MAKES_TWISTS : 0) };
  };
  const promising = loosePairs(context)
    .filter(({ a, b }) => !isInside(a) && !isInside(b))
    .flatMap(({ a, b }) => [
      { a, b },
      { a: b, b: a },
    ])
    .map((pair) => ({ ...pair, hope: hopeFor(context, limbs[0], pair.a) + hopeFor(context, limbs[1], pair.b) }))
    .filter(({ hope }) => hope > LEAST_HOPE)
    .sort((p, q) => q.hope - p.hope)
    .slice(0, MAX_READINGS);
  const readings: DetachedReading[] = [];
  for (const { a, b } of promising) {
    const first = read(0, a);
    const second = first && read(1, b);
    if (first && second) readings.push({ limbs: [first, second], score: first.score + second.score });
  }
  const moves = (j: number | null): boolean => j === null || prior.deforms === null || prior.deforms[j] === 1;
  const own = limbs.reduce((sum, { score, end }) => sum + score - (moves(end) ? 0 : MOVES), 0);
  return readings.filter(({ score }) => score > own).sort((p, q) => q.score - p.score);
}

/** The limbs with the best ends from outside that belong to no other limb, or as they are. */
export function chooseEnds(
  figure: Figure,
  limbs: [LimbChain, LimbChain],
  readings: readonly DetachedReading[],
  others: readonly LimbChain[],
): [LimbChain, LimbChain] {
  const isTaken = (j: number | null): boolean =>
    j !== null && others.some(({ top, end }) => end === j || (j >= top && j < figure.skeleton.subtreeEnd[top]!));
  return readings.find((reading) => !reading.limbs.some(({ end }) => isTaken(end)))?.limbs ?? limbs;
}

/** Mirrored joints that reach no further than a hand or a foot. */
function loosePairs({ figure, symmetry, height }: LimbContext): { a: number; b: number }[] {
  const pairs: { a: number; b: number }[] = [];
  for (const { a: top } of symmetry.tops) {
    for (let j = top; j < figure.skeleton.subtreeEnd[top]!; j++) {
      const partner = symmetry.mirror[j]!;
      if (partner >= 0 && partner !== j && figure.reach[j]! <= LONGEST_END * height) pairs.push({ a: j, b: partner });
    }
  }
  return pairs;
}

/** The most that an end could bring, by the bones that lead to it from any joint of the limb. */
function hopeFor(context: LimbContext, { kind, upper }: LimbChain, end: number): number {
  const { figure, prior } = context;
  const { points, skeleton } = figure;
  const ratio =
    kind === 'arm' ? SHARE_OF_HEIGHT.lowerArm / SHARE_OF_HEIGHT.upperArm : SHARE_OF_HEIGHT.shin / SHARE_OF_HEIGHT.thigh;
  let best = Number.NEGATIVE_INFINITY;
  for (let lower = upper + 1; lower < skeleton.subtreeEnd[upper]!; lower++) {
    const thigh = distance(points[upper]!, points[lower]!);
    const shin = distance(points[lower]!, points[end]!);
    const hope = lengthEvidence(shin, ratio * thigh, 0.4) + endEvidence(context, upper, lower, end, kind);
    if (hope > best) best = hope;
  }
  return best + prior.evidence(end, kind === 'arm' ? 'hand' : 'foot', null);
}

/** Log evidence that the limb through `upper` and `lower` ends in a joint elsewhere, beyond the lengths of its bones. */
function endEvidence(
  { figure, symmetry, prior, height }: LimbContext,
  upper: number,
  lower: number,
  end: number,
  kind: LimbKind,
): number {
  const { points, skeleton } = figure;
  let score = DETACHED;
  const gap = gapToLimb(figure, lower, end);
  if (gap !== null) score -= Math.min(2.5, 0.5 * (gap / (DETACHED_REACH * height)) ** 2);
  // The lower bone goes on about where the upper one comes from; a pole target stands in front of the knee.
  const bend = dot(unit(minus(points[lower]!, points[upper]!)), unit(minus(points[end]!, points[lower]!)));
  score -= (kind === 'arm' ? 2 : 3) * (1 - bend);
  if (prior.deforms) score += prior.deforms[end] ? MOVES : -MOVES;
  // Toes hang from the foot that is looked for.
  const parent = skeleton.parents[end]!;
  if (parent >= 0 && symmetry.mirror[parent] !== parent) score -= 1;
  return score;
}

/** Whether knee and foot (or elbow and hand) of another reading all lie on the bones of this one: they are its twist joints. */
function makesTwists({ points }: Figure, { upper, lower, endAt }: LimbChain, other: LimbChain): boolean {
  const isOnBone = (j: number): boolean =>
    j === lower ||
    isOnTheWay(points[upper]!, points[lower]!, points[j]!) ||
    isOnTheWay(points[lower]!, endAt!, points[j]!);
  return other.end !== null && isOnBone(other.lower) && isOnBone(other.end);
}

/** Whether a point lies where a twist joint of the bone between two others would. */
function isOnTheWay(from: Point, to: Point, p: Point): boolean {
  const bone = minus(to, from);
  const length = norm(bone);
  const offset = minus(p, from);
  const share = dot(offset, unit(bone)) / length;
  return share > TWIST_FROM && share < TWIST_TO && norm(squareTo(offset, unit(bone))) < TWIST_ASIDE * length;
}

/** How far the end lies from where the lower bone ends, or null where nothing but twist joints hangs on that. */
function gapToLimb({ points, children, tips }: Figure, lower: number, end: number): number | null {
  const length = distance(points[lower]!, points[end]!);
  let gap: number | null = null;
  for (const p of [...children[lower]!.map((k) => points[k]!), ...tips[lower]!]) {
    if (isOnTheWay(points[lower]!, points[end]!, p) || distance(p, points[lower]!) < 1e-3 * length) continue;
    const miss = distance(p, points[end]!);
    if (gap === null || miss < gap) gap = miss;
  }
  return gap;
}
