/**
 * Moves the pelvis so that both feet come within reach of where they have to be, smoothly: by least squares over the whole clip
 * (`shift-problem.ts`), and once more around frames in which a knee would bend or straighten at once (`knee-corners.ts`).
 *
 * Tried before: a smoothed mean displacement with corrections that were widened and smoothed. Where the corrections of two
 * legs met, their smoothed sum had no direction, and the pelvis jerked.
 */
import { addPulls, addTies, cornerSpans, drawLines, kneeCorners } from './knee-corners.ts';
import { BENT_WEIGHT, packLegs } from './leg-terms.ts';
import type { ReachLeg } from './reach-leg.ts';
import { limitShifts, widenLimits } from './shift-limits.ts';
import {
  BARRIER,
  BARRIER_FIRST,
  createShiftSystem,
  cutProblem,
  cutSystem,
  handOver,
  type LowHolds,
  type ShiftProblem,
  type ShiftSystem,
  settle,
} from './shift-problem.ts';

/**
 * Seconds: of waves in the added bend of a knee, those of 2π times this period cost as much for their corners as for their size.
 * Tried before, in all frames: first differences, which let a knee change its pace at once. Hips as wide as a leg then made
 * knees jump by 6.5 degrees at 30 frames a second, in place of 2.9 (zup_zombie_walk).
 */
const CORNERS = 0.05;
/**
 * Rounds in which the bend is linearised anew. Further ones changed shifts by up to 1 % of the leg, to and fro, without end: a
 * bend that is at its limit has another slope than one beside it.
 */
const CORNER_ROUNDS = 3;
/** Seconds before and after a corner in which the pelvis may be shifted otherwise for it. */
const AROUND = 0.4;
/** Weight of a shift that stays as it is. */
const PIN = 100 * BARRIER;
/** Whoever kneels or sits may be moved so many times as far: thighs and seats differ more than legs. */
const LOW_LARGEST = 4;

/**
 * @param largest  longest shift, metres
 * @param out      shifts, frames × 3, overwritten
 * @param low      knees and seat that rest on the floor
 * @param more     by how much longer a shift may be where a plant is out of reach without, metres
 * @param isFinal  whether knees are looked after as well; false while goals are still to be found
 * @returns the longest shift that each frame was allowed, metres
 */
export function shiftPelvis(
  legs: readonly ReachLeg[],
  frameCount: number,
  frameDuration: number,
  largest: number,
  out: Float64Array,
  low: LowHolds = { knees: [], seat: null, least: null },
  more = 0,
  isFinal = true,
): Float64Array {
  out.fill(0);
  if (legs.length === 0 || frameCount === 0) return new Float64Array(frameCount).fill(largest);
  const usual = new Float64Array(frameCount * 3);
  for (const { offsets } of legs) for (let i = 0; i < usual.length; i++) usual[i]! += offsets[i]! / (legs.length + 1);
  const lowness = new Float64Array(frameCount);
  if (low.seat || low.knees.length > 0) for (let f = 0; f < frameCount; f++) lowness[f] = lowest(low, f);
  leanOnKnees(usual, low.knees, lowness);
  out.set(usual);
  const knees = low.knees.map((knee) => ({ ...knee, held: knee.held.map(handOver) }));
  const terms = packLegs(legs, knees, frameCount);
  const problem: ShiftProblem = { legs: terms, seat: low.seat, least: low.least, usual, lowness, frameDuration };
  const system = createShiftSystem(frameCount);
  settle(problem, system, BARRIER_FIRST, out);
  if (isFinal) roundCorners(problem, system, out);
  const limits = new Float64Array(frameCount);
  for (let f = 0; f < frameCount; f++) limits[f] = largest * (1 + (LOW_LARGEST - 1) * lowness[f]!);
  if (more > 0) widenLimits(limits, more, legs, frameDuration, out);
  limitShifts(out, limits);
  return limits;
}

/** Shifts the pelvis anew around corners in the bend of a knee; at the ends of such a stretch the shift keeps place and slope. */
function roundCorners(problem: ShiftProblem, system: ShiftSystem, out: Float64Array): void {
  const { legs, usual, lowness, frameDuration } = problem;
  const around = Math.ceil(AROUND / frameDuration);
  for (const span of cornerSpans(legs, usual, out, around, frameDuration)) {
    const pins = [
      ...(span.first > 0 ? [0, 1] : []),
      ...(span.last + 1 < lowness.length ? [span.last - span.first - 1, span.last - span.first] : []),
    ];
    const shifts = out.subarray(span.first * 3, span.last * 3 + 3);
    roundStretch(cutProblem(problem, span), cutSystem(system, span.last - span.first + 1), pins, shifts);
  }
}

/** @param pins  frames in which the shift stays as it is */
function roundStretch(part: ShiftProblem, system: ShiftSystem, pins: readonly number[], shifts: Float64Array): void {
  const { legs, usual, frameDuration } = part;
  const weight = BENT_WEIGHT * (CORNERS / frameDuration) ** 4;
  const corners = Array.from({ length: legs.feet }, (_, l) => kneeCorners(legs, l, usual, weight, frameDuration));
  const pinned = shifts.slice();
  const ties = new Float64Array(system.couplings.length);
  const far = new Float64Array(ties.length);
  settle(part, system, BARRIER, shifts, (round, { blocks, couplings, right }) => {
    if (round < CORNER_ROUNDS) {
      ties.fill(0);
      far.fill(0);
      corners.forEach((corner, l) => {
        drawLines(legs, l, shifts, corner.lines);
        addTies(corner, ties, far);
      });
    }
    couplings.set(ties);
    for (const corner of corners) addPulls(corner, blocks, right);
    for (const f of pins) {
      for (const diagonal of [0, 2, 5]) blocks[f * 6 + diagonal]! += PIN;
      for (let i = f * 3; i < f * 3 + 3; i++) right[i]! += PIN * pinned[i]!;
    }
    return far;
  });
}

/** How far the figure kneels or sits in a frame, 0 to 1. */
function lowest({ knees, seat }: LowHolds, f: number): number {
  let most = seat ? seat.held[f]! : 0;
  for (const { held } of knees) most = Math.max(most, held[f]!);
  return most;
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
