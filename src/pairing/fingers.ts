import type { Side } from '../skeleton/side.ts';
import type { Figure } from './figure.ts';
import { isHelperName, type NameReading, nameEvidence } from './names.ts';
import { centre, distance, dot, minus, norm, type Point, squareTo, unit } from './point.ts';
import type { Role, SidedPart } from './roles.ts';

export const DIGITS = ['thumb', 'index', 'middle', 'ring', 'little'] as const;
export type Digit = (typeof DIGITS)[number];

const PARTS_OF_DIGIT: Record<Digit, readonly SidedPart[]> = {
  thumb: ['ThumbMetacarpal', 'ThumbProximal', 'ThumbDistal'],
  index: ['IndexProximal', 'IndexIntermediate', 'IndexDistal'],
  middle: ['MiddleProximal', 'MiddleIntermediate', 'MiddleDistal'],
  ring: ['RingProximal', 'RingIntermediate', 'RingDistal'],
  little: ['LittleProximal', 'LittleIntermediate', 'LittleDistal'],
};

export interface FingerReading {
  role: Role;
  joint: number;
  digit: Digit;
  /** Whether a name says which finger it is; otherwise its place does. */
  isNamed: boolean;
}

/** A joint this close to the wrist, as a share of the hand's length, carries no finger of its own: a metacarpal. */
const METACARPAL_REACH = 0.2;

/**
 * Finds the fingers of one hand.
 * @param hand   the hand joint, or null when the fingers hang from the lower arm
 * @param lower  the lower arm, whose own children may be a thumb (mittens)
 * @param wrist  where the hand starts
 * @param taken  joints with a role already
 * @param facing the body's facing: in a hand held level, palm down, the thumb is on that side
 */
export function findFingers(
  figure: Figure,
  names: readonly NameReading[],
  side: Side,
  hand: number | null,
  lower: number,
  wrist: Point,
  taken: ReadonlySet<number>,
  facing: Point,
): FingerReading[] {
  const carrier = hand ?? lower;
  const chains = chainsOf(figure, names, carrier, taken);
  if (hand !== null) {
    // A thumb that hangs from the forearm: beside the palm, and no twist joint on the way to it.
    const forearm = distance(figure.points[lower]!, wrist);
    // Wrist joints on the way to the hand carry it; they are no finger.
    const between: number[] = [];
    for (let j = figure.skeleton.parents[hand]!; j > lower; j = figure.skeleton.parents[j]!) between.push(j);
    const isReached = hand > lower && hand < figure.skeleton.subtreeEnd[lower]!;
    const claimed = new Set([...taken, hand, ...(isReached ? between : [])]);
    for (const chain of chainsOf(figure, names, lower, claimed)) {
      const isNearHand = distance(figure.points[chain[0]!]!, wrist) < 0.5 * forearm;
      const isNamed = chain.some((j) => nameEvidence(names[j]!, 'thumb') > 2);
      if (isNamed || (isNearHand && chain.length > 1 && chains.length > 0)) chains.push(chain);
    }
  }
  const digits = tellDigits(figure, names, chains, wrist, facing);
  const readings: FingerReading[] = [];
  for (const [digit, { chain, isNamed }] of digits) {
    const joints = dropMetacarpal(figure, names, chain, digit, wrist);
    joints.slice(0, 3).forEach((joint, i) => {
      readings.push({ role: `${side}${PARTS_OF_DIGIT[digit][i]!}`, joint, digit, isNamed });
    });
  }
  return readings;
}

/** Joint chains that could be fingers: each runs to the far end, without tips, and without empty joints at its start. */
function chainsOf(
  figure: Figure,
  names: readonly NameReading[],
  carrier: number,
  taken: ReadonlySet<number>,
): number[][] {
  const chains: number[][] = [];
  const { children, reach, boneLengths } = figure;
  const tiny = 0.002 * figure.extent;
  for (const start of children[carrier]!) {
    if (taken.has(start) || isStray(names[start]!)) continue;
    const fanned = children[start]!.filter((k) => !taken.has(k) && !isStray(names[k]!));
    if (fanned.length >= 2 && DIGITS.every((digit) => nameEvidence(names[start]!, digit) <= 0)) {
      // A palm joint that carries fingers itself.
      chains.push(...chainsOf(figure, names, start, taken));
      continue;
    }
    const chain: number[] = [];
    for (let j: number | undefined = start; j !== undefined; ) {
      if (!names[j]!.concepts.includes('tip')) chain.push(j);
      const next: number[] = children[j]!.filter((k) => !isStray(names[k]!));
      next.sort((a, b) => boneLengths[b]! + reach[b]! - boneLengths[a]! - reach[a]!);
      j = next[0];
    }
    while (chain.length > 1 && boneLengths[chain[0]!]! < tiny && boneLengths[chain[1]!]! > tiny) chain.shift();
    const isSpoken = chain.some((j) => DIGITS.some((d) => nameEvidence(names[j]!, d) > 0));
    if (chain.length > 0 && (isSpoken || reach[chain[0]!]! > tiny)) chains.push(chain);
  }
  return chains;
}

/** Weapon slots and controls in the hand; an end joint is not stray here, it is dropped later. */
function isStray(name: NameReading): boolean {
  return isHelperName(name) && !name.concepts.includes('tip');
}

type Told = Map<Digit, { chain: number[]; isNamed: boolean }>;

function tellDigits(
  figure: Figure,
  names: readonly NameReading[],
  chains: readonly number[][],
  wrist: Point,
  facing: Point,
): Told {
  const told: Told = new Map();
  const open: number[][] = [];
  for (const chain of chains) {
    const spoken = DIGITS.map((digit) => ({
      digit,
      value: Math.max(...chain.map((j) => nameEvidence(names[j]!, digit))),
    }));
    spoken.sort((a, b) => b.value - a.value);
    const { digit, value } = spoken[0]!;
    if (value > 2 && !told.has(digit)) told.set(digit, { chain, isNamed: true });
    else open.push(chain);
  }
  // A single chain whose name is silent may as well be a hand's end or a weapon's grip.
  const speaks = (chain: number[]): boolean => chain.some((j) => names[j]!.parts.finger !== undefined);
  if (told.size === 0 && open.length === 1 && !speaks(open[0]!)) return told;
  // Where fewer than three chains hang from a hand, a silent single joint is more often the hand's end than a finger.
  // And among fingers of several joints it is a slot.
  const jointed = chains.filter((chain) => chain.length > 1).length;
  if ((chains.length < 3 && told.size > 0) || jointed >= 3) {
    for (const chain of [...open]) if (chain.length === 1 && !speaks(chain)) open.splice(open.indexOf(chain), 1);
  }
  const free = DIGITS.filter((digit) => !told.has(digit));
  const ordered = orderByPlace(figure, open, wrist, facing, told.get('thumb')?.chain ?? null);
  const wanted = chooseDigits(ordered.fingers.length, free);
  if (ordered.thumb && free.includes('thumb')) told.set('thumb', { chain: ordered.thumb, isNamed: false });
  ordered.fingers.forEach((chain, i) => {
    const digit = wanted[i];
    if (digit) told.set(digit, { chain, isNamed: false });
  });
  return told;
}

/** Which fingers a hand with fewer than four has: from the thumb outwards, a single one is the middle of a mitten. */
function chooseDigits(count: number, free: readonly Digit[]): Digit[] {
  const fingers = free.filter((digit) => digit !== 'thumb');
  if (count === 1) return fingers.includes('middle') ? ['middle'] : fingers.slice(0, 1);
  if (count === 3 && fingers.length === 4) return ['index', 'middle', 'little'];
  return fingers.slice(0, count);
}

/** The thumb starts nearest to the wrist and points away from the others; those follow in order of distance from it. */
function orderByPlace(
  figure: Figure,
  chains: readonly number[][],
  wrist: Point,
  facing: Point,
  knownThumb: readonly number[] | null,
): { thumb: number[] | null; fingers: number[][] } {
  if (chains.length === 0) return { thumb: null, fingers: [] };
  const base = (chain: readonly number[]): Point => figure.points[chain[0]!]!;
  const tip = (chain: readonly number[]): Point => {
    const last = chain[chain.length - 1]!;
    return figure.tips[last]![0] ?? figure.points[last]!;
  };
  const axis = unit(minus(centre(chains.map(tip)), wrist));
  const along = (chain: readonly number[]): number => dot(minus(base(chain), wrist), axis);
  const across = (chain: readonly number[]): Point => squareTo(minus(tip(chain), wrist), axis);
  let fingers = [...chains];
  let thumb: number[] | null = null;
  let thumbSide = squareTo(facing, axis);
  if (knownThumb) thumbSide = across(knownThumb);
  else if (chains.length >= 2) {
    const thumbScore = (chain: number[]): number => {
      const others = chains.filter((c) => c !== chain);
      const length = norm(minus(centre(others.map(tip)), wrist)) || 1;
      const meanAlong = others.reduce((sum, c) => sum + along(c), 0) / others.length;
      const apart = norm(minus(across(chain), centre(others.map(across))));
      const reachOf = (c: readonly number[]): number => distance(tip(c), wrist);
      const meanReach = others.reduce((sum, c) => sum + reachOf(c), 0) / others.length || 1;
      return (meanAlong - along(chain)) / length + apart / length + (1 - reachOf(chain) / meanReach);
    };
    const scored = chains.map((chain) => ({ chain, score: thumbScore(chain) })).sort((a, b) => b.score - a.score);
    if (chains.length === 5 || scored[0]!.score > 0.35) {
      thumb = scored[0]!.chain;
      thumbSide = across(thumb);
      fingers = fingers.filter((chain) => chain !== thumb);
    }
  }
  fingers.sort((a, b) => dot(across(b), thumbSide) - dot(across(a), thumbSide));
  return { thumb, fingers };
}

/** Takes off a first joint inside the palm, by name or because it lies at the wrist; the thumb keeps its metacarpal. */
function dropMetacarpal(
  figure: Figure,
  names: readonly NameReading[],
  chain: readonly number[],
  digit: Digit,
  wrist: Point,
): number[] {
  const [first] = chain;
  if (digit === 'thumb' || first === undefined || chain.length < 2) return [...chain];
  const isSpoken = names[first]!.words.some((word) => /metacarpal|carpometacarpal|carpal|palm/.test(word));
  // index0 … index3: numbering from 0 counts the bone in the palm.
  const isZero = chain.length > 3 && names[first]!.number === 0 && names[chain[1]!]!.number === 1;
  const start = distance(figure.points[first]!, wrist);
  const length = start + figure.reach[first]!;
  return isSpoken || isZero || start < METACARPAL_REACH * length ? chain.slice(1) : [...chain];
}
