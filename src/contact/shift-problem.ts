/**
 * The least squares behind the shift of the pelvis. The shift s of each frame minimises
 *
 *     Σ w·(|goal − hip − s| − extension)²  over the legs, frame by frame: knees stay as bent as the performer's are
 *   + KEEP · |s − mean displacement of the feet|²
 *   + λ · |s″|²                             a low-pass: it moves no faster than the pelvis of a person
 *   + BARRIER · (|goal − hip − s| − limit)²   where a leg would have to be longer, or folded further, than it may be
 *
 * with w large where a leg is nearly straight, since there a small change of its extension bends the knee much: √w times
 * the missing extension is, but for a factor, how far the bend is off. Each round linearises the distances (Gauss–Newton) and
 * solves one banded system (`solveSmoothPath`); time and memory grow with the frames.
 */
import { solveSmoothPath } from '../math/smooth-path.ts';
import type { ReachLeg } from './reach-leg.ts';

/**
 * Rounds of Gauss–Newton at most. Most clips settle in seven to eleven, legs much too short for their plants in up to thirty;
 * cut off at eight, such legs missed their plants by 0.3 % of the leg more, and their pelvis accelerated half as much again.
 */
const ROUNDS = 30;
/** Rounds end when no coordinate changes by more than this share of the leg. */
const SETTLED = 2e-5;
/** Weight of a leg that is folded; a straight one weighs 1 / STRAIGHT times as much. */
export const BENT_WEIGHT = 0.05;
const STRAIGHT = 0.02;
/**
 * Weight of a shift that no leg asks for: it leans both legs. At a quarter of it the poses of legs with hips twice as wide were
 * up to 29 degrees off in place of 22, and no clip had fewer jumps for it.
 */
const KEEP = 0.2;
/**
 * The barrier grows from round to round, by this factor: at once at its height, legs took turns in being too long, and after
 * forty rounds the shifts still changed by 3 to 16 % of the leg.
 */
export const BARRIER_FIRST = 10;
const BARRIER_GROWTH = 4;
export const BARRIER = BARRIER_FIRST * BARRIER_GROWTH ** 5;
/** Hertz. Above it a shift costs more than the bend of a knee. */
const CUT_OFF = 2;
/** A leg is asked to reach this share less than it could, so that rounding does not undo it. */
const MARGIN = 1e-4;

/** Whoever kneels or sits keeps the way of the pelvis so many times as much: its feet carry little. */
const LOW_KEEP = 2.5;

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

/** What the shifts of some frames in a row depend on. */
export interface ShiftProblem extends LowHolds {
  legs: readonly ReachLeg[];
  /** Shifts that the figure has where no leg asks for another, frames × 3. */
  usual: Float64Array;
  /** How far it kneels or sits, 0 to 1, a frame. */
  lowness: Float64Array;
  frameDuration: number;
}

/** What a round adds to the system besides: the blocks of three, and those that they are tied to. Returns the far ties. */
export type AddMore = (
  round: number,
  blocks: Float64Array,
  couplings: Float64Array,
  right: Float64Array,
) => Float64Array;

/** Rounds until the shifts settle. `out` holds where they begin, and is overwritten. */
export function settle(
  { legs, knees, seat, usual, lowness, frameDuration }: ShiftProblem,
  barrierFirst: number,
  out: Float64Array,
  addMore?: AddMore,
): void {
  const frameCount = lowness.length;
  const blocks = new Float64Array(frameCount * 6);
  const right = new Float64Array(frameCount * 3);
  const couplings = new Float64Array(frameCount * 9);
  // A wave of this frequency is halved against the weight of two legs that are bent as in walking.
  const smoothness = 0.3 / (2 * Math.PI * CUT_OFF * frameDuration) ** 4;
  for (let round = 0; round < ROUNDS; round++) {
    const barrier = Math.min(BARRIER, barrierFirst * BARRIER_GROWTH ** round);
    keepUsual(usual, lowness, blocks, right);
    couplings.fill(0);
    for (const leg of legs) addLeg(leg, frameCount, barrier, out, blocks, right);
    for (const knee of knees) addLeg(knee, frameCount, barrier, out, blocks, right);
    if (seat) addHeight(seat, blocks, right);
    const far = addMore?.(round, blocks, couplings, right);
    if (!solveSmoothPath(blocks, couplings, smoothness, right, far)) break;
    const change = largestDifference(right, out);
    out.set(right);
    if (barrier === BARRIER && change < SETTLED * legs[0]!.length) break;
  }
}

/** The problem of some frames alone; its arrays are views. */
export function cutProblem(
  { legs, knees, seat, usual, lowness, frameDuration }: ShiftProblem,
  first: number,
  last: number,
): ShiftProblem {
  const each = (series: Float64Array) => series.subarray(first, last + 1);
  const three = (series: Float64Array) => series.subarray(first * 3, last * 3 + 3);
  const cutLeg = (leg: ReachLeg): ReachLeg => ({
    hips: three(leg.hips),
    goals: three(leg.goals),
    offsets: three(leg.offsets),
    extensions: each(leg.extensions),
    reaches: each(leg.reaches),
    nearest: each(leg.nearest),
    held: each(leg.held),
    length: leg.length,
  });
  return {
    legs: legs.map(cutLeg),
    knees: knees.map(cutLeg),
    seat: seat && { shifts: each(seat.shifts), held: each(seat.held) },
    usual: three(usual),
    lowness: each(lowness),
    frameDuration,
  };
}

/**
 * A bound that fades has to give way to the other terms, which weigh 1 to 100, over the whole ramp; the barrier's weight
 * falls in equal ratios, not in equal steps.
 */
export function handOver(held: number): number {
  return (BARRIER ** held - 1) / BARRIER;
}

function addHeight({ shifts, held }: HeldHeight, blocks: Float64Array, right: Float64Array): void {
  for (let f = 0; f < held.length; f++) {
    const weight = BARRIER * handOver(held[f]!);
    blocks[f * 6 + 2]! += weight;
    right[f * 3 + 1]! += weight * shifts[f]!;
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
  { hips, goals, extensions, reaches, nearest, held, length }: ReachLeg,
  frameCount: number,
  barrier: number,
  shifts: Float64Array,
  blocks: Float64Array,
  right: Float64Array,
): void {
  for (let f = 0, at = 0; f < frameCount; f++, at += 3) {
    if (held[f] === 0) continue;
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
    let weight = (BENT_WEIGHT / Math.max(STRAIGHT, 1 - share * share)) * held[f]!;
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
  }
}
