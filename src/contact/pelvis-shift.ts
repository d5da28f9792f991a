/**
 * Moves the pelvis so that both feet come within reach of where they have to be, smoothly.
 *
 * The shift s of each frame minimises, over the whole clip,
 *
 *     Σ w·(|goal − hip − s| − extension)²  over the legs, frame by frame: knees stay as bent as the performer's are
 *   + KEEP · |s − mean displacement of the feet|²
 *   + λ · |s″|²                             a low-pass: it moves no faster than the pelvis of a person
 *   + BARRIER · (|goal − hip − s| − limit)²   where a leg would have to be longer, or folded further, than it may be
 *   + EASE · |Δ(√w·(|goal − hip − s| − extension))|²   from frame to frame: the knee's bend keeps the shape of the performer's
 *
 * with w large where a leg is nearly straight, since there a small change of its extension bends the knee much: √w times
 * the missing extension is, but for a factor, how far the bend is off. Each round linearises the distances (Gauss–Newton) and
 * solves one banded system (`solveSmoothPath`); time and memory grow with the frames.
 *
 * Tried before: a smoothed mean displacement with corrections that were widened and smoothed. Where the corrections of two
 * legs met, their smoothed sum had no direction, and the pelvis jerked.
 */
import { solveSmoothPath } from '../math/smooth-path.ts';
import type { ReachLeg } from './reach-leg.ts';
import { widenLimits } from './shift-limits.ts';

/**
 * Rounds of Gauss–Newton at most. Most clips settle in seven to eleven, legs much too short for their plants in up to thirty;
 * cut off at eight, such legs missed their plants by 0.3 % of the leg more, and their pelvis accelerated half as much again.
 */
const ROUNDS = 30;
/** Rounds end when no coordinate changes by more than this share of the leg. */
const SETTLED = 2e-5;
/** Weight of a leg that is folded; a straight one weighs 1 / STRAIGHT times as much. */
const BENT_WEIGHT = 0.05;
const STRAIGHT = 0.02;
const KEEP = 0.05;
/**
 * The barrier grows from round to round, by this factor: at once at its height, legs took turns in being too long, and after
 * forty rounds the shifts still changed by 3 to 16 % of the leg.
 */
const BARRIER_FIRST = 10;
const BARRIER_GROWTH = 4;
const BARRIER = BARRIER_FIRST * BARRIER_GROWTH ** 5;
/** Hertz. Above it a shift costs more than the bend of a knee. */
const CUT_OFF = 2;
/**
 * Seconds. A knee that has to leave the performer's bend does so along e^(−t / EASE), before and after: a leg that was held
 * at full stretch by its plant else bent within one frame when the plant let go.
 */
const EASE = 0.055;
/** A leg is asked to reach this share less than it could, so that rounding does not undo it. */
const MARGIN = 1e-4;

/** A height that the pelvis has to have: shifts, metres, and how surely they are meant, 0 to 1, a frame. */
export interface HeldHeight {
  shifts: Float64Array;
  held: Float64Array;
}

/** What holds the pelvis besides feet: knees that stand on the floor, and a seat. */
export interface LowHolds {
  /** Thighs from the hip to a knee that rests: as legs of one bone. */
  knees: readonly ReachLeg[];
  seat: HeldHeight | null;
}

/** Whoever kneels or sits may be moved so many times as far: thighs and seats differ more than legs. */
const LOW_LARGEST = 4;
/** Whoever kneels or sits keeps the way of the pelvis so many times as much: its feet carry little. */
const LOW_KEEP = 10;

/**
 * @param largest  longest shift, metres
 * @param out      shifts, frames × 3, overwritten
 * @param low      knees and seat that rest on the floor
 * @param more     by how much longer a shift may be where a plant is out of reach without, metres
 */
export function shiftPelvis(
  legs: readonly ReachLeg[],
  frameCount: number,
  frameDuration: number,
  largest: number,
  out: Float64Array,
  low: LowHolds = { knees: [], seat: null },
  more = 0,
): void {
  out.fill(0);
  if (legs.length === 0 || frameCount === 0) return;
  const size = frameCount * 3;
  const blocks = new Float64Array(frameCount * 6);
  const right = new Float64Array(size);
  const couplings = new Float64Array(frameCount * 9);
  const usual = new Float64Array(size);
  for (const { offsets } of legs) for (let i = 0; i < size; i++) usual[i]! += offsets[i]! / (legs.length + 1);
  const lowness = Float64Array.from({ length: frameCount }, (_, f) => lowest(low, f));
  leanOnKnees(usual, low.knees, lowness);
  // A wave of this frequency is halved against the weight of two legs that are bent as in walking.
  const smoothness = 0.3 / (2 * Math.PI * CUT_OFF * frameDuration) ** 4;
  const ease = (EASE / frameDuration) ** 2;
  out.set(usual);
  const knees = low.knees.map((knee) => ({ ...knee, held: knee.held.map(handOver) }));
  for (let round = 0; round < ROUNDS; round++) {
    const barrier = Math.min(BARRIER, BARRIER_FIRST * BARRIER_GROWTH ** round);
    keepUsual(usual, lowness, blocks, right);
    couplings.fill(0);
    for (const leg of legs) addLeg(leg, frameCount, ease, barrier, out, blocks, couplings, right);
    for (const knee of knees) addLeg(knee, frameCount, 0, barrier, out, blocks, couplings, right);
    if (low.seat) addHeight(low.seat, blocks, right);
    if (!solveSmoothPath(blocks, couplings, smoothness, right)) break;
    const change = largestDifference(right, out);
    out.set(right);
    if (barrier === BARRIER && change < SETTLED * legs[0]!.length) break;
  }
  const limits = lowness.map((low) => largest * (1 + (LOW_LARGEST - 1) * low));
  if (more > 0) widenLimits(limits, more, legs, frameDuration, out);
  for (let f = 0, at = 0; f < frameCount; f++, at += 3) {
    const length = Math.hypot(out[at]!, out[at + 1]!, out[at + 2]!);
    const most = limits[f]!;
    if (length > most) for (let k = 0; k < 3; k++) out[at + k]! *= most / length;
  }
}

/**
 * A bound that fades has to give way to the other terms, which weigh 1 to 100, over the whole ramp; the barrier's weight
 * falls in equal ratios, not in equal steps.
 */
function handOver(held: number): number {
  return (BARRIER ** held - 1) / BARRIER;
}

/** How far the figure kneels or sits in a frame, 0 to 1. */
function lowest({ knees, seat }: LowHolds, f: number): number {
  let most = seat ? seat.held[f]! : 0;
  for (const { held } of knees) most = Math.max(most, held[f]!);
  return most;
}

function addHeight({ shifts, held }: HeldHeight, blocks: Float64Array, right: Float64Array): void {
  for (let f = 0; f < held.length; f++) {
    const weight = BARRIER * handOver(held[f]!);
    blocks[f * 6 + 2]! += weight;
    right[f * 3 + 1]! += weight * shifts[f]!;
  }
}

/**
 * Whoever kneels goes along with the knees, as the thighs lean on them: a body that the thickness of its knee raises would
 * tip back otherwise, the shortest way to where its thigh spans the distance.
 */
function leanOnKnees(usual: Float64Array, knees: readonly ReachLeg[], lowness: Float64Array): void {
  for (let f = 0, at = 0; f < lowness.length; f++, at += 3) {
    let total = 0;
    for (const { held } of knees) total += held[f]!;
    if (total === 0) continue;
    for (let k = 0; k < 3; k++) {
      let mean = 0;
      for (const { held, offsets } of knees) mean += (held[f]! * offsets[at + k]!) / total;
      usual[at + k]! += lowness[f]! * (mean - usual[at + k]!);
    }
  }
}

/** Overwrites both sides with KEEP · |s − usual|², the more the figure kneels or sits. */
function keepUsual(usual: Float64Array, lowness: Float64Array, blocks: Float64Array, right: Float64Array): void {
  blocks.fill(0);
  for (let f = 0; f < lowness.length; f++) {
    const weight = KEEP * (1 + (LOW_KEEP - 1) * lowness[f]!);
    blocks[f * 6] = weight;
    blocks[f * 6 + 2] = weight;
    blocks[f * 6 + 5] = weight;
    for (let i = f * 3; i < f * 3 + 3; i++) right[i] = weight * usual[i]!;
  }
}

function largestDifference(a: Float64Array, b: Float64Array): number {
  let most = 0;
  for (let i = 0; i < a.length; i++) {
    const difference = Math.abs(a[i]! - b[i]!);
    if (difference > most) most = difference;
  }
  return most;
}

/** Adds one leg's terms, linearised about the shifts as they are. */
function addLeg(
  leg: ReachLeg,
  frameCount: number,
  ease: number,
  barrier: number,
  shifts: Float64Array,
  blocks: Float64Array,
  couplings: Float64Array,
  right: Float64Array,
): void {
  const { hips, goals, extensions, reaches, nearest, held, length } = leg;
  // Of the frame before: direction of the leg times √w, what that makes of the missing extension, and how far it was held.
  let bx = 0;
  let by = 0;
  let bz = 0;
  let before = 0;
  let heldBefore = 0;
  for (let f = 0, at = 0; f < frameCount; f++, at += 3) {
    if (held[f] === 0) {
      heldBefore = 0;
      continue;
    }
    const sx = shifts[at]!;
    const sy = shifts[at + 1]!;
    const sz = shifts[at + 2]!;
    let x = goals[at]! - hips[at]! - sx;
    let y = goals[at + 1]! - hips[at + 1]! - sy;
    let z = goals[at + 2]! - hips[at + 2]! - sz;
    const distance = Math.sqrt(x * x + y * y + z * z);
    if (distance < 1e-9) continue;
    x /= distance;
    y /= distance;
    z /= distance;
    const share = Math.min(1, extensions[f]! / length);
    // With equal segments the knee turns by 2·dx / (length · sin) when the extension changes by dx; sin² = 1 − share².
    const bent = BENT_WEIGHT / Math.max(STRAIGHT, 1 - share * share);
    let weight = bent * held[f]!;
    const along = sx * x + sy * y + sz * z;
    let pull = weight * (along + distance - extensions[f]!);
    const limit = Math.max(nearest[f]!, Math.min(reaches[f]! * (1 - MARGIN), distance));
    if (limit !== distance) {
      weight += barrier * held[f]!;
      pull += barrier * held[f]! * (along + distance - limit);
    }
    right[at]! += pull * x;
    right[at + 1]! += pull * y;
    right[at + 2]! += pull * z;
    const block = f * 6;
    blocks[block]! += weight * x * x;
    blocks[block + 1]! += weight * y * x;
    blocks[block + 2]! += weight * y * y;
    blocks[block + 3]! += weight * z * x;
    blocks[block + 4]! += weight * z * y;
    blocks[block + 5]! += weight * z * z;

    // tie · (own − before − a·s + b·s₋₁)², a and b the directions of the leg times √w in this frame and in the one before.
    const root = Math.sqrt(bent);
    const own = root * (along + distance - extensions[f]!);
    x *= root;
    y *= root;
    z *= root;
    const tie = ease * Math.min(heldBefore, held[f]!);
    if (tie > 0) {
      const more = tie * (own - before);
      right[at]! += more * x;
      right[at + 1]! += more * y;
      right[at + 2]! += more * z;
      right[at - 3]! -= more * bx;
      right[at - 2]! -= more * by;
      right[at - 1]! -= more * bz;
      blocks[block]! += tie * x * x;
      blocks[block + 1]! += tie * y * x;
      blocks[block + 2]! += tie * y * y;
      blocks[block + 3]! += tie * z * x;
      blocks[block + 4]! += tie * z * y;
      blocks[block + 5]! += tie * z * z;
      blocks[block - 6]! += tie * bx * bx;
      blocks[block - 5]! += tie * by * bx;
      blocks[block - 4]! += tie * by * by;
      blocks[block - 3]! += tie * bz * bx;
      blocks[block - 2]! += tie * bz * by;
      blocks[block - 1]! += tie * bz * bz;
      const c = f * 9;
      couplings[c]! -= tie * x * bx;
      couplings[c + 1]! -= tie * x * by;
      couplings[c + 2]! -= tie * x * bz;
      couplings[c + 3]! -= tie * y * bx;
      couplings[c + 4]! -= tie * y * by;
      couplings[c + 5]! -= tie * y * bz;
      couplings[c + 6]! -= tie * z * bx;
      couplings[c + 7]! -= tie * z * by;
      couplings[c + 8]! -= tie * z * bz;
    }
    bx = x;
    by = y;
    bz = z;
    before = own;
    heldBefore = held[f]!;
  }
}
