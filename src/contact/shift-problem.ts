/**
 * The least squares behind the shift of the pelvis. The shift s of each frame minimises
 *
 *     Σ w·(|goal − hip − s| − extension)²  over the legs, frame by frame: knees stay as bent as the performer's are
 *   + KEEP · |s − mean displacement of the feet|²
 *   + λ · |s″|²                             a low-pass: it moves no faster than the pelvis of a person
 *   + BARRIER · (|goal − hip − s| − limit)²   where a leg would have to be longer, or folded further, than it may be
 *   + KNEES · BARRIER · (least − s·up)²       where the pelvis would be so low that a knee is in the floor
 *
 * with w large where a leg is nearly straight, since there a small change of its extension bends the knee much: √w times
 * the missing extension is, but for a factor, how far the bend is off. Each round linearises the distances (Gauss–Newton) and
 * solves one banded system (`solveSmoothPath`); time and memory grow with the frames.
 */
import { solveSmoothPath } from '../math/smooth-path.ts';
import type { FrameSpan } from './hold.ts';
import { cutTerms, EXTENSION, HELD, LEG_TERMS, type LegTerms, NEAREST, REACH, WEIGHT } from './leg-terms.ts';
import type { ReachLeg } from './reach-leg.ts';

/**
 * Rounds of Gauss–Newton at most. Most clips settle in seven to eleven, legs much too short for their plants in up to thirty;
 * cut off at eight, such legs missed their plants by 0.3 % of the leg more, and their pelvis accelerated half as much again.
 */
const ROUNDS = 30;
/** Rounds end when no coordinate changes by more than this share of the leg. */
const SETTLED = 2e-5;
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

/** Of the barrier: plants go before knees. */
const KNEES = 0.1;
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
  /** How far up it has to be shifted at least for the knees of legs that stand, metres, a frame; -Infinity: no matter. */
  least: Float64Array | null;
}

/** What the shifts of some frames in a row depend on. */
export interface ShiftProblem {
  /** What legs, and knees that rest, ask for. */
  legs: LegTerms;
  seat: HeldHeight | null;
  least: Float64Array | null;
  /** Shifts that the figure has where no leg asks for another, frames × 3. */
  usual: Float64Array;
  /** How far it kneels or sits, 0 to 1, a frame. */
  lowness: Float64Array;
  frameDuration: number;
}

/** Memory of a system of equations, as `solveSmoothPath` takes it: one for the whole clip, and for parts of it after. */
export interface ShiftSystem {
  blocks: Float64Array;
  couplings: Float64Array;
  right: Float64Array;
}

export function createShiftSystem(frameCount: number): ShiftSystem {
  return {
    blocks: new Float64Array(frameCount * 6),
    couplings: new Float64Array(frameCount * 9),
    right: new Float64Array(frameCount * 3),
  };
}

/** The same memory for so many frames alone. */
export function cutSystem({ blocks, couplings, right }: ShiftSystem, frameCount: number): ShiftSystem {
  return {
    blocks: blocks.subarray(0, frameCount * 6),
    couplings: couplings.subarray(0, frameCount * 9),
    right: right.subarray(0, frameCount * 3),
  };
}

/** What a round adds to the system besides; all couplings are its own to write. Returns the ties to the second frame before. */
export type AddMore = (round: number, system: ShiftSystem) => Float64Array;

/** Rounds until the shifts settle. `out` holds where they begin, and is overwritten; so is the system, of as many frames. */
export function settle(
  problem: ShiftProblem,
  system: ShiftSystem,
  barrierFirst: number,
  out: Float64Array,
  addMore?: AddMore,
): void {
  const { legs, seat, least, frameDuration } = problem;
  const { blocks, couplings, right } = system;
  // A wave of this frequency is halved against the weight of two legs that are bent as in walking.
  const smoothness = 0.3 / (2 * Math.PI * CUT_OFF * frameDuration) ** 4;
  for (let round = 0; round < ROUNDS; round++) {
    const barrier = Math.min(BARRIER, barrierFirst * BARRIER_GROWTH ** round);
    linearise(problem, barrier, out, blocks, right);
    if (seat) addHeight(seat, blocks, right);
    if (least) addLeast(least, KNEES * barrier, out, blocks, right);
    const far = addMore?.(round, system);
    if (!solveSmoothPath(blocks, couplings, smoothness, right, far)) break;
    const change = takeOver(right, out);
    if (barrier === BARRIER && change < SETTLED * legs.lengths[0]!) break;
  }
}

/** The problem of some frames alone; its arrays are views. */
export function cutProblem(problem: ShiftProblem, span: FrameSpan): ShiftProblem {
  const { legs, seat, least, usual, lowness, frameDuration } = problem;
  const cut = (series: Float64Array, stride: number) => series.subarray(span.first * stride, (span.last + 1) * stride);
  return {
    legs: cutTerms(legs, span.first, span.last),
    seat: seat && { shifts: cut(seat.shifts, 1), held: cut(seat.held, 1) },
    least: least && cut(least, 1),
    usual: cut(usual, 3),
    lowness: cut(lowness, 1),
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

function addLeast(
  least: Float64Array,
  weight: number,
  shifts: Float64Array,
  blocks: Float64Array,
  right: Float64Array,
): void {
  for (let f = 0; f < least.length; f++) {
    if (!(shifts[f * 3 + 1]! < least[f]!)) continue;
    blocks[f * 6 + 2]! += weight;
    right[f * 3 + 1]! += weight * least[f]!;
  }
}

/** `out` = `solved`; returns the largest difference between the two. */
function takeOver(solved: Float64Array, out: Float64Array): number {
  let most = 0;
  for (let i = 0; i < out.length; i++) {
    const value = solved[i]!;
    const difference = Math.abs(value - out[i]!);
    if (difference > most) most = difference;
    out[i] = value;
  }
  return most;
}

/**
 * Overwrites both sides with KEEP · |s − usual|², the more the figure kneels or sits, and what the legs ask for, linearised about
 * the shifts as they are.
 */
function linearise(
  { legs: { terms, lengths }, usual, lowness }: ShiftProblem,
  barrier: number,
  shifts: Float64Array,
  blocks: Float64Array,
  right: Float64Array,
): void {
  const row = lengths.length * LEG_TERMS;
  for (let f = 0, at = 0, term = 0; f < lowness.length; f++, at += 3) {
    const keep = KEEP * (1 + (LOW_KEEP - 1) * lowness[f]!);
    const sx = shifts[at]!;
    const sy = shifts[at + 1]!;
    const sz = shifts[at + 2]!;
    let xx = keep;
    let xy = 0;
    let yy = keep;
    let xz = 0;
    let yz = 0;
    let zz = keep;
    let rightX = keep * usual[at]!;
    let rightY = keep * usual[at + 1]!;
    let rightZ = keep * usual[at + 2]!;
    for (const end = term + row; term < end; term += LEG_TERMS) {
      const held = terms[term + HELD]!;
      if (held === 0) continue;
      let x = terms[term]! - sx;
      let y = terms[term + 1]! - sy;
      let z = terms[term + 2]! - sz;
      const distance = Math.sqrt(x * x + y * y + z * z);
      if (distance < 1e-9) continue;
      x /= distance;
      y /= distance;
      z /= distance;
      const along = sx * x + sy * y + sz * z;
      let weight = terms[term + WEIGHT]!;
      let pull = weight * (along + distance - terms[term + EXTENSION]!);
      const limit = Math.max(terms[term + NEAREST]!, Math.min(terms[term + REACH]! * (1 - MARGIN), distance));
      if (limit !== distance) {
        weight += barrier * held;
        pull += barrier * held * (along + distance - limit);
      }
      rightX += pull * x;
      rightY += pull * y;
      rightZ += pull * z;
      xx += weight * x * x;
      xy += weight * y * x;
      yy += weight * y * y;
      xz += weight * z * x;
      yz += weight * z * y;
      zz += weight * z * z;
    }
    const block = f * 6;
    blocks[block] = xx;
    blocks[block + 1] = xy;
    blocks[block + 2] = yy;
    blocks[block + 3] = xz;
    blocks[block + 4] = yz;
    blocks[block + 5] = zz;
    right[at] = rightX;
    right[at + 1] = rightY;
    right[at + 2] = rightZ;
  }
}
