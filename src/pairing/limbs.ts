import type { Side } from '../skeleton/side.ts';
import { endPoint, type Figure, pathsBelow } from './figure.ts';
import { isHelperName } from './names.ts';
import { distance, dot, minus, norm, type Point, squareTo, unit } from './point.ts';
import type { Prior } from './prior.ts';
import { ARM_SHARE, LEG_SHARE, lengthEvidence, SHARE_OF_HEIGHT } from './proportions.ts';
import type { Symmetry } from './symmetry.ts';

export type LimbKind = 'arm' | 'leg';

/** One limb read from its root outwards. */
export interface LimbChain {
  kind: LimbKind;
  /** Where the limb leaves the trunk; the girdle, the upper joint, or a joint above them. */
  top: number;
  /** Shoulder (collar bone) of an arm; a leg has none. */
  girdle: number | null;
  upper: number;
  lower: number;
  /** Hand or foot. */
  end: number | null;
  toes: number | null;
  /** Wrist or ankle: the end joint, or where the lower bone ends without one. */
  endAt: Point | null;
  /** Sum of log evidence. */
  score: number;
}

export interface LimbContext {
  figure: Figure;
  symmetry: Symmetry;
  prior: Prior;
  /** Standing height, file units, as well as it is known so far. */
  height: number;
}

/** Limbs longer than this in joints are cut: three twist joints a segment still fit. */
const MAX_LIMB_JOINTS = 12;
/** No upper arm or thigh is shorter than this share of the height: spares a look at every pair of finger joints. */
const SHORTEST_BONE = 0.025;
/** Log evidence lost for a limb without a hand or foot joint: most have one. */
const NO_END = -1.5;
/** The same where three or more fingers start at the very end of the forearm. */
const NO_HAND_BUT_FINGERS = -0.3;
/** For a joint passed over inside a segment (it would be a twist joint), and more the further it lies off the bone. */
const SKIPPED = -0.6;
const SKIPPED_ASIDE = -8;
/** Less for one that lies on the bone as a twist joint does, within this share of its length. */
const SKIPPED_ON_BONE = -0.35;
const ON_BONE = 0.005;
/** For leaving the branch that reaches furthest, by how much further it reaches than the one taken. */
const SIDE_BRANCH = -4;
const SIDE_BRANCH_SLACK = 0.05;
/** A collar bone joint lies within this share of the height of the middle. */
const GIRDLE_ASIDE = 0.065;
/** For a joint passed over that lies where its neighbour is, or whose name says that it is a helper. */
const SKIPPED_HARMLESS = -0.15;
/** For a joint above the upper one that is no girdle, and for one from which the same bone runs on in a line. */
const SKIPPED_ABOVE = -0.4;
const SKIPPED_START = -1.6;
/** For a limb joint that moves the mesh where others do not. */
const DEFORMS = 0.8;
/** For the hand that carries two or more fingers. */
const HAND_BRANCHES = 0.8;
/** For a collar bone, which many arms have. */
const GIRDLE = 0.5;
/** For an end joint that moves the mesh where others do not. */
const END_DEFORMS = 0.3;
/** No shape gives more: lengths and joints that are passed over only take away. */
const BEST_SHAPE = GIRDLE + HAND_BRANCHES + 2 * DEFORMS + END_DEFORMS;
/** Against a hand whose siblings start at the same point: they are fingers without a hand. */
const ONE_OF_A_BUNDLE = -3;

/**
 * The best reading of a subtree as an arm or a leg, or null when it has too few joints.
 * @param detachedEnd  hand or foot outside the subtree that the limb is to end in
 */
export function readLimb(
  context: LimbContext,
  top: number,
  kind: LimbKind,
  side: Side | null,
  detachedEnd?: number,
): LimbChain | null {
  let best: LimbChain | null = null;
  const consider = (chain: LimbChain): void => {
    const spoken = priorEvidence(context, chain, side);
    // Toes may still add to a leg. What could not win at the best of shapes need not be looked at.
    if (kind === 'arm' && best && spoken + BEST_SHAPE < best.score) return;
    chain.score = spoken + limbShapeEvidence(context, chain);
    if (kind === 'leg') addToes(context, chain, side);
    if (!best || chain.score > best.score) best = chain;
  };
  for (const path of pathsBelow(context.figure, top, MAX_LIMB_JOINTS)) {
    const last = path.length - 1;
    for (let upper = 0; upper < last; upper++) {
      const reaches = (j: number): boolean =>
        distance(context.figure.points[path[upper]!]!, context.figure.points[path[j]!]!) >
        SHORTEST_BONE * context.height;
      const girdles = kind === 'arm' ? [null, ...Array.from({ length: upper }, (_, i) => i)] : [null];
      for (const g of girdles) {
        const girdle = g === null ? null : path[g]!;
        const base = { kind, top, girdle, upper: path[upper]!, toes: null, score: 0 };
        if (detachedEnd !== undefined) {
          const endAt = context.figure.points[detachedEnd]!;
          if (reaches(last)) consider({ ...base, lower: path[last]!, end: detachedEnd, endAt });
          continue;
        }
        // Without an end joint, and with the last joint of the path as the end.
        const lowest = path[last]!;
        if (reaches(last)) consider({ ...base, lower: lowest, end: null, endAt: endPoint(context.figure, lowest) });
        for (let lower = upper + 1; lower < last; lower++) {
          if (!reaches(lower)) continue;
          const endAt = context.figure.points[lowest]!;
          consider({ ...base, lower: path[lower]!, end: lowest, endAt });
        }
      }
    }
  }
  return best;
}

function priorEvidence({ prior }: LimbContext, chain: LimbChain, side: Side | null): number {
  const { kind, girdle, upper, lower, end } = chain;
  const isArm = kind === 'arm';
  let score = prior.evidence(upper, isArm ? 'upperArm' : 'upperLeg', side);
  score += prior.evidence(lower, isArm ? 'lowerArm' : 'lowerLeg', side);
  if (girdle !== null) score += prior.evidence(girdle, 'shoulder', side);
  if (end !== null) score += prior.evidence(end, isArm ? 'hand' : 'foot', side);
  return score;
}

/** Log evidence of a limb's lengths, place and branching alone: 0 for an average body, about -3 for a cartoon one. */
export function limbShapeEvidence(context: LimbContext, chain: LimbChain): number {
  const { figure, prior, height } = context;
  const { points, reach } = figure;
  const { kind, girdle, upper, lower, end, endAt } = chain;
  const isArm = kind === 'arm';
  const upperLength = distance(points[upper]!, points[lower]!);
  const isBundle = end === null && isArm && startsBundle(figure, lower);
  let score = end !== null ? 0 : isBundle ? NO_HAND_BUT_FINGERS : NO_END;
  if (endAt) {
    const lowerLength = distance(points[lower]!, endAt);
    const ratio = isArm
      ? SHARE_OF_HEIGHT.lowerArm / SHARE_OF_HEIGHT.upperArm
      : SHARE_OF_HEIGHT.shin / SHARE_OF_HEIGHT.thigh;
    score += lengthEvidence(lowerLength, ratio * upperLength, 0.4);
    score += lengthEvidence(upperLength + lowerLength, (isArm ? ARM_SHARE : LEG_SHARE) * height, 0.5);
  } else {
    score +=
      lengthEvidence(upperLength, (isArm ? SHARE_OF_HEIGHT.upperArm : SHARE_OF_HEIGHT.thigh) * height, 0.6) - 0.5;
  }
  // How far from the middle the limb starts.
  const expectedAside =
    (isArm ? 0.8 * SHARE_OF_HEIGHT.shoulderHalfBreadth : 0.75 * SHARE_OF_HEIGHT.hipHalfBreadth) * height;
  score += lengthEvidence(Math.max(asideOf(context, upper), 0.003 * height), expectedAside, 0.7);
  if (girdle !== null) {
    score += GIRDLE + lengthEvidence(distance(points[girdle]!, points[upper]!), 0.075 * height, 0.7);
    if (asideOf(context, girdle) > asideOf(context, upper)) score -= 1;
    // Collar bones start near the breastbone; an arm that starts further out is no girdle.
    const girdleAside = asideOf(context, girdle);
    if (girdleAside > GIRDLE_ASIDE * height) score += lengthEvidence(girdleAside, GIRDLE_ASIDE * height, 0.35);
  }
  // What lies beyond the end, and what is passed over on the way.
  if (end !== null) {
    const beyond = reach[end]!;
    score +=
      beyond > 0 ? lengthEvidence(beyond, (isArm ? SHARE_OF_HEIGHT.hand : SHARE_OF_HEIGHT.foot) * height, 0.7) : -0.2;
    if (isArm) {
      if (figure.children[end]!.length >= 2) score += HAND_BRANCHES;
      const isInside = end > lower && end < figure.skeleton.subtreeEnd[lower]!;
      for (let j = end; isInside && j !== lower; j = figure.skeleton.parents[j]!) {
        if (startsBundle(figure, figure.skeleton.parents[j]!)) score += ONE_OF_A_BUNDLE;
      }
    }
  } else if (reach[lower]! > 0 && endAt) {
    // With no end joint the lower bone should end near its tip, not carry a further limb.
    const beyond = reach[lower]! - distance(points[lower]!, endAt);
    if (beyond > (isBundle ? 0.25 : 0.15) * height) score -= 2;
  }
  score += passedOver(context, chain);
  if (prior.deforms) {
    for (const j of [upper, lower]) score += prior.deforms[j] ? DEFORMS : 0;
    if (end !== null) score += prior.deforms[end] ? END_DEFORMS : 0;
  }
  return score;
}

/** Distance of a joint from the middle: half of that to its partner, which no lean of the trunk changes. */
function asideOf({ figure, symmetry }: LimbContext, j: number): number {
  const partner = symmetry.mirror[j]!;
  if (partner >= 0 && partner !== j) return distance(figure.points[j]!, figure.points[partner]!) / 2;
  return Math.abs(dot(figure.points[j]!, symmetry.normal) - symmetry.offset);
}

/** Whether three or more chains start at one and the same point away from the joint that carries them. */
function startsBundle(figure: Figure, carrier: number): boolean {
  if (carrier < 0) return false;
  const { children, points, boneLengths, reach, extent } = figure;
  const chains = children[carrier]!.filter((k) => reach[k]! > 0 && boneLengths[k]! > 0.01 * extent);
  return chains.some(
    (k) => chains.filter((other) => distance(points[k]!, points[other]!) < 0.002 * extent).length >= 3,
  );
}

function passedOver(context: LimbContext, chain: LimbChain): number {
  const { figure, prior } = context;
  const { parents, subtreeEnd } = figure.skeleton;
  const { end, lower, top } = chain;
  const claimed = [chain.girdle, chain.upper, chain.lower, chain.end];
  let score = 0;
  // A detached foot is not below the leg's top.
  const last = end !== null && end >= top && end < subtreeEnd[top]! ? end : lower;
  for (let j = last; j !== top; ) {
    score += branchEvidence(figure, j);
    j = parents[j]!;
    if (claimed.includes(j)) continue;
    const isAbove = j < chain.upper;
    const parent = parents[j]!;
    const isZeroLength = parent >= 0 && figure.boneLengths[j]! < 0.002 * figure.extent;
    const harmless = isZeroLength || isHelperName(prior.names[j]!);
    if (harmless) score += SKIPPED_HARMLESS;
    else if (isAbove) score += continuesBone(figure, chain, j) ? SKIPPED_START : SKIPPED_ABOVE;
    else {
      const aside = offBone(figure, chain, j);
      score += (aside < ON_BONE ? SKIPPED_ON_BONE : SKIPPED) + SKIPPED_ASIDE * aside;
    }
  }
  return score;
}

/** Whether the bone below `j` runs on in a line through the upper joint: the limb starts at `j`, and a twist joint follows. */
function continuesBone({ points }: Figure, { upper, lower }: LimbChain, j: number): boolean {
  const above = minus(points[upper]!, points[j]!);
  const below = minus(points[lower]!, points[upper]!);
  return norm(above) > 0.1 * norm(below) && dot(unit(above), unit(below)) > 0.985;
}

/** How far a joint passed over lies off the bone that it would twist, as a share of the bone's length. */
function offBone({ points }: Figure, { upper, lower, endAt }: LimbChain, j: number): number {
  const [start, stop] = j < lower ? [points[upper]!, points[lower]!] : [points[lower]!, endAt ?? points[lower]!];
  const bone = minus(stop, start);
  const length = norm(bone);
  return length > 0 ? norm(squareTo(minus(points[j]!, start), unit(bone))) / length : 0;
}

/** Limbs follow the branch that reaches furthest. */
function branchEvidence({ skeleton, children, boneLengths, reach }: Figure, j: number): number {
  const parent = skeleton.parents[j]!;
  if (parent < 0) return 0;
  const own = boneLengths[j]! + reach[j]!;
  const furthest = Math.max(...children[parent]!.map((k) => boneLengths[k]! + reach[k]!));
  return furthest > 0 ? SIDE_BRANCH * Math.max(0, 1 - own / furthest - SIDE_BRANCH_SLACK) : 0;
}

/** Toes: the joint below the foot that its name or its place in front of the ankle speaks for. */
function addToes(context: LimbContext, chain: LimbChain, side: Side | null): void {
  const { figure, prior, height } = context;
  if (chain.end === null) return;
  let bestScore = -1.5;
  for (const path of pathsBelow(figure, chain.end, 4).slice(1)) {
    const joint = path[path.length - 1]!;
    const length = distance(figure.points[chain.end]!, figure.points[joint]!);
    const score =
      prior.evidence(joint, 'toes', side) +
      lengthEvidence(length, 0.1 * height, 0.7) +
      (isHelperName(prior.names[joint]!) ? -2 : 0) -
      0.3 * (path.length - 2);
    if (score > bestScore) {
      bestScore = score;
      chain.toes = joint;
    }
  }
  if (chain.toes !== null) chain.score += bestScore + 0.5;
}
