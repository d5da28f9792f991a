import { chooseEnds, type DetachedReading, detachedReadings } from './detached-ends.ts';
import { commonAncestor, type Figure, treePath } from './figure.ts';
import { type LimbChain, type LimbContext, readLimb } from './limbs.ts';
import { isHelperName } from './names.ts';
import { distance, dot, middle, minus, type Point, plus, unit } from './point.ts';
import type { Prior } from './prior.ts';
import { LEG_SHARE, lengthEvidence, SHARE_OF_HEIGHT, TRUNK_SHARE } from './proportions.ts';
import type { Symmetry } from './symmetry.ts';

/** A skeleton read as a body: which pairs are arms and legs, and the trunk and head between them. Sides are open. */
export interface Interpretation {
  /** The limbs of one half and of the other, in the order of the symmetry's pair. */
  arms: [LimbChain, LimbChain];
  legs: [LimbChain, LimbChain];
  hips: number;
  /** Trunk joints above the hips up to the one that carries the arms. */
  spineChain: number[];
  neckChain: number[];
  head: number;
  /** Middle of the shoulder joints, of the hip joints and of the ankles. */
  shouldersAt: Point;
  hipsAt: Point;
  anklesAt: Point | null;
  /** From the ankles through the hips to the shoulders, unit. */
  up: Point;
  /** Cosine between trunk and legs: 1 upright, 0 a trunk level over standing legs. */
  uprightness: number;
  /** From the soles to the top of the head, as far as joints and tips go. */
  height: number;
  /** Sum of log evidence. */
  score: number;
  /** The pose is no posture: names alone told the limbs apart, the left ones first, and up means nothing. */
  isByName: boolean;
}

/** Candidates for each kind of limb that are combined with each other. */
const MAX_CANDIDATES = 8;
/** Readings of the whole body that are looked at twice: the height of each is known only after the first look. */
const MAX_SECOND_LOOKS = 5;

/** A pair of limbs as it stands, and with ends that hang elsewhere. */
interface LimbPair {
  limbs: [LimbChain, LimbChain];
  detached: DetachedReading[];
}

/** The best reading of the figure as a humanoid body, or null when no two pairs of limbs and no head are found. */
export function interpret(figure: Figure, symmetry: Symmetry, prior: Prior): Interpretation | null {
  const rough: LimbContext = { figure, symmetry, prior, height: figure.extent };
  const pairOf = (context: LimbContext, limbs: [LimbChain, LimbChain]): LimbPair => ({
    limbs,
    detached: detachedReadings(context, limbs, [null, null]),
  });
  const limbPairs = (kind: 'arm' | 'leg'): LimbPair[] =>
    symmetry.tops
      .map(({ a, b }) => [readLimb(rough, a, kind, null), readLimb(rough, b, kind, null)] as const)
      .filter((pair): pair is [LimbChain, LimbChain] => pair[0] !== null && pair[1] !== null)
      .sort((p, q) => q[0].score + q[1].score - p[0].score - p[1].score)
      .slice(0, MAX_CANDIDATES)
      .map((limbs) => pairOf(rough, limbs));
  const armPairs = limbPairs('arm');
  const legPairs = limbPairs('leg');
  const first: { arms: LimbPair; legs: LimbPair; body: Interpretation }[] = [];
  for (const arms of armPairs) {
    for (const legs of legPairs) {
      if (arms.limbs[0].top === legs.limbs[0].top) continue;
      const body = combine(figure, symmetry, prior, arms, legs, figure.extent);
      if (body) first.push({ arms, legs, body });
    }
  }
  first.sort((p, q) => q.body.score - p.body.score);
  let best: Interpretation | null = null;
  for (const { arms, legs, body } of first.slice(0, MAX_SECOND_LOOKS)) {
    // Lengths are judged again with the height that this reading itself gives.
    const context: LimbContext = { ...rough, height: body.height };
    const again = ({ limbs: [a, b] }: LimbPair): LimbPair =>
      pairOf(context, [readLimb(context, a.top, a.kind, null) ?? a, readLimb(context, b.top, b.kind, null) ?? b]);
    const second = combine(figure, symmetry, prior, again(arms), again(legs), body.height);
    if (second && (!best || second.score > best.score)) best = second;
  }
  return best;
}

function combine(
  figure: Figure,
  symmetry: Symmetry,
  prior: Prior,
  foundArms: LimbPair,
  foundLegs: LimbPair,
  roughHeight: number,
): Interpretation | null {
  const { points } = figure;
  const arms = chooseEnds(figure, foundArms.limbs, foundArms.detached, foundLegs.limbs);
  const legs = chooseEnds(figure, foundLegs.limbs, foundLegs.detached, [...foundArms.limbs, ...arms]);
  const shouldersAt = middle(points[arms[0].upper]!, points[arms[1].upper]!);
  const hipsAt = middle(points[legs[0].upper]!, points[legs[1].upper]!);
  const anklesAt = legs[0].endAt && legs[1].endAt ? middle(legs[0].endAt, legs[1].endAt) : null;
  const kneesAt = middle(points[legs[0].lower]!, points[legs[1].lower]!);
  const trunkUp = unit(minus(shouldersAt, hipsAt));
  const legsUp = unit(minus(hipsAt, anklesAt ?? kneesAt));
  const uprightness = dot(trunkUp, legsUp);
  const up = unit(plus(trunkUp, legsUp));
  if (up[0] === 0 && up[1] === 0 && up[2] === 0) return null;

  const top = findHead(figure, symmetry, prior, arms, legs, { shouldersAt, hipsAt, up, roughHeight });
  if (!top) return null;
  const height = heightOf(figure, up, legs, top.head);
  let score = arms[0].score + arms[1].score + legs[0].score + legs[1].score + top.score;
  score += lengthEvidence(distance(shouldersAt, hipsAt), TRUNK_SHARE * height, 0.5);
  // Both limbs of a body are of one mould: arms reach about two thirds of what legs do.
  score -= 4 * (1 - uprightness);
  if (top.spineChain.length === 0) score -= 3;
  for (const joint of top.spineChain.slice(0, 3)) {
    const spoken = Math.max(
      ...(['spine', 'chest', 'upperChest'] as const).map((part) => prior.evidence(joint, part, null)),
    );
    score += Math.max(-1, Math.min(2, spoken));
  }
  return { arms, legs, ...top, shouldersAt, hipsAt, anklesAt, up, uprightness, height, score, isByName: false };
}

interface TrunkMeasures {
  shouldersAt: Point;
  hipsAt: Point;
  up: Point;
  roughHeight: number;
}

type TrunkReading = Pick<Interpretation, 'hips' | 'spineChain' | 'neckChain' | 'head' | 'score'>;

/** Tries every joint of the middle that stands above the shoulders as the head, with the trunk that leads to it. */
function findHead(
  figure: Figure,
  symmetry: Symmetry,
  prior: Prior,
  arms: [LimbChain, LimbChain],
  legs: [LimbChain, LimbChain],
  measures: TrunkMeasures,
): TrunkReading | null {
  const { skeleton, points, children } = figure;
  const { shouldersAt, up, roughHeight } = measures;
  let best: TrunkReading | null = null;
  for (let head = 0; head < skeleton.jointCount; head++) {
    const isSettled = prior.settled.get('head') === head;
    if (symmetry.mirror[head] !== head && !isSettled) continue;
    const rise = dot(minus(points[head]!, shouldersAt), up);
    if (rise < -0.02 * roughHeight && !isSettled) continue;
    const isAboveLimbs = [...arms, ...legs].some((l) => l.top >= head && l.top < skeleton.subtreeEnd[head]!);
    if (isAboveLimbs && !isSettled) continue;
    const hips = findHips(figure, prior, arms, legs, head, measures);
    if (hips < 0 || hips === head) continue;
    const path = treePath(skeleton, hips, head).slice(1, -1);
    if (path.some((j) => symmetry.mirror[j] === -1 && !isSettled)) continue;
    let score = prior.evidence(head, 'head', null);
    // From the shoulder joints to the chin it is 0.052 of the height, and head joints sit a little above that.
    const expectedRise = 1.3 * (SHARE_OF_HEIGHT.chinHeight - SHARE_OF_HEIGHT.shoulderHeight) * roughHeight;
    score += lengthEvidence(Math.max(rise, 0.001 * roughHeight), expectedRise, 0.5);
    // What goes on upwards in the middle makes this a neck; a jaw or a tongue does not.
    const goesOn = children[head]!.some(
      (k) => symmetry.mirror[k] === k && dot(minus(points[k]!, points[head]!), up) > 0.02 * roughHeight,
    );
    score += goesOn ? -0.6 : 0.6;
    if (children[head]!.some((k) => symmetry.mirror[k]! >= 0 && symmetry.mirror[k] !== k)) score += 0.6;
    const aside = dot(minus(points[head]!, shouldersAt), symmetry.normal) / (0.12 * roughHeight);
    score -= Math.min(3, 0.5 * aside * aside);
    if (isHelperName(prior.names[head]!)) score -= 2;
    if (prior.deforms) score += prior.deforms[head] ? 0.3 : -0.5;
    const split = splitTrunk(figure, prior, arms, path, measures);
    // A joint passed over between spine and head is a neck; more than two are rare.
    score -= 0.2 * Math.max(0, split.neckChain.length - 2);
    for (const joint of split.neckChain) score += Math.max(-0.5, Math.min(1, prior.evidence(joint, 'neck', null)));
    if (!best || score > best.score) best = { hips, head, ...split, score };
  }
  return best;
}

/** The joint that carries the thighs and the spine and lies near the hip joints; the legs count more than the name. */
function findHips(
  figure: Figure,
  prior: Prior,
  arms: [LimbChain, LimbChain],
  legs: [LimbChain, LimbChain],
  head: number,
  measures: TrunkMeasures,
): number {
  const { hipsAt, roughHeight } = measures;
  const { skeleton, points } = figure;
  const settled = prior.settled.get('hips');
  if (typeof settled === 'number') return settled;
  const thighs = [legs[0].upper, legs[1].upper];
  const attach = commonAncestor(skeleton, thighs);
  const carrier = commonAncestor(skeleton, [...thighs, head]);
  if (attach < 0 || carrier < 0) return -1;
  const candidates = new Set([carrier, ...treePath(skeleton, attach, head).slice(0, -1)]);
  const carries = (j: number, k: number): boolean => k >= j && k < skeleton.subtreeEnd[j]!;
  let best = -1;
  let bestScore = Number.NEGATIVE_INFINITY;
  for (const j of candidates) {
    if (thighs.includes(j)) continue;
    const miss = distance(points[j]!, hipsAt) / (0.07 * roughHeight);
    const { spineChain } = splitTrunk(figure, prior, arms, treePath(skeleton, j, head).slice(1, -1), measures);
    const score =
      (thighs.every((thigh) => carries(j, thigh)) ? 2 : 0) +
      (carries(j, head) ? 1 : 0) +
      (j === carrier ? 0.5 : 0) +
      (spineChain.length > 0 ? 0 : -2) +
      Math.max(-6, -0.5 * miss * miss) +
      Math.min(1, prior.evidence(j, 'hips', null));
    if (score > bestScore) {
      best = j;
      bestScore = score;
    }
  }
  return best;
}

/** Splits the joints between hips and head into spine and neck: the spine goes up to the one that carries the arms. */
function splitTrunk(
  figure: Figure,
  prior: Prior,
  arms: [LimbChain, LimbChain],
  path: readonly number[],
  { shouldersAt, up, roughHeight }: TrunkMeasures,
): { spineChain: number[]; neckChain: number[] } {
  const { skeleton, points } = figure;
  const attach = commonAncestor(skeleton, [arms[0].top, arms[1].top]);
  let spineEnd = path.indexOf(attach);
  for (let i = spineEnd + 1; i < path.length; i++) {
    const below = dot(minus(shouldersAt, points[path[i]!]!), up);
    const isBeyond = attach < 0 || distance(points[attach]!, points[path[i]!]!) > 0.02 * roughHeight;
    if (isBeyond && below > 0.03 * roughHeight) spineEnd = i;
  }
  // Collar bones that hang from the neck do not make it a part of the spine.
  const isNeck = (j: number): boolean =>
    prior.evidence(j, 'neck', null) > 1 ||
    (spineEnd === path.length - 1 && dot(minus(points[j]!, shouldersAt), up) > 0.015 * roughHeight);
  while (spineEnd > 0 && isNeck(path[spineEnd]!)) spineEnd--;
  return { spineChain: path.slice(0, spineEnd + 1), neckChain: path.slice(spineEnd + 1) };
}

/** From the lowest joint or tip of the feet to the highest of the head; without a head tip the head is added. */
function heightOf(figure: Figure, up: Point, legs: [LimbChain, LimbChain], head: number): number {
  const { points, tips, skeleton } = figure;
  let low = Number.POSITIVE_INFINITY;
  for (const leg of legs) {
    for (const start of leg.end === null ? [leg.lower] : [leg.lower, leg.end]) {
      for (let j = start; j < skeleton.subtreeEnd[start]!; j++) {
        for (const p of [points[j]!, ...tips[j]!]) low = Math.min(low, dot(p, up));
      }
    }
  }
  const headHeight = dot(points[head]!, up);
  const crown = Math.max(...tips[head]!.map((p) => dot(p, up)), Number.NEGATIVE_INFINITY);
  if (crown > headHeight) return crown - low;
  // The head joint stands at about the chin.
  return (headHeight - low) / SHARE_OF_HEIGHT.chinHeight;
}

/** Standing height that the legs alone suggest. */
export function heightFromLegs(figure: Figure, legs: [LimbChain, LimbChain]): number {
  const lengths = legs.map((leg) => {
    const thigh = distance(figure.points[leg.upper]!, figure.points[leg.lower]!);
    return thigh + (leg.endAt ? distance(figure.points[leg.lower]!, leg.endAt) : thigh);
  });
  return (lengths[0]! + lengths[1]!) / 2 / LEG_SHARE;
}
