/**
 * How far the pelvis may be shifted for the sake of a plant. Hips that are farther apart than the performer's swing around a
 * standing foot on a wider circle, and the pelvis has to give way by so much more.
 *
 * Tried before, on hips two leg lengths apart: the same longer limit in all frames. It was used where no plant needed it, and
 * where the shift was a fault of the capture: the worst angle of a pose grew from 26 to 44 degrees in place of 34.
 */
import { distanceVec } from '../math/vec.ts';
import type { Actor } from '../retarget/actor.ts';
import type { RetargetPlan } from '../retarget/plan.ts';
import { restWorldPose } from '../skeleton/skeleton.ts';
import { envelope } from './hold.ts';
import type { ReachLeg } from './reach-leg.ts';

/** Seconds in which a longer shift is allowed before a plant needs it, and after. */
const GIVE = 0.2;
/** Halvings that find the shift a plant needs, to a thousandth of what is allowed more. */
const HALVINGS = 10;
/** A shift whose square is below this share of its limit's is not at it, however it is rounded. */
const NEARLY = 0.99;

/**
 * By how much farther from the middle of the body the target's hips are than the performer's, scaled to its legs: metres, 0
 * where they are not wider.
 */
export function hipExcess({ source, target, scale }: RetargetPlan): number {
  return Math.max(0, hipWidth(target) - scale * hipWidth(source)) / 2;
}

/** How many times as far apart the target's hips are as the performer's, each against its legs; 1 where one has no hips. */
export function hipBreadth({ source, target, scale }: RetargetPlan): number {
  const [own, its] = [hipWidth(target), scale * hipWidth(source)];
  return own > 0 && its > 0 ? own / its : 1;
}

/** Distance of the two hip joints at rest, metres; 0 where one is missing. */
function hipWidth({ skeleton, body: { roles } }: Actor): number {
  const { leftUpperLeg: left, rightUpperLeg: right } = roles;
  if (left === undefined || right === undefined) return 0;
  const { positions } = restWorldPose(skeleton);
  return distanceVec(positions, left * 3, positions, right * 3);
}

/**
 * Raises the limits of a shift where a foot that stands would be out of reach, and smoothly around there.
 *
 * @param limits  longest shift of each frame, metres, overwritten
 * @param more    by how much they may be raised, metres
 * @param shifts  as they would be without limits, frames × 3
 */
export function widenLimits(
  limits: Float64Array,
  more: number,
  legs: readonly ReachLeg[],
  frameDuration: number,
  shifts: Float64Array,
): void {
  const needs = new Float64Array(limits.length);
  for (let f = 0, at = 0; f < needs.length; f++, at += 3) {
    const limit = limits[f]!;
    const square = shifts[at]! * shifts[at]! + shifts[at + 1]! * shifts[at + 1]! + shifts[at + 2]! * shifts[at + 2]!;
    if (square >= NEARLY * limit * limit) needs[f] = needOf(legs, shifts, f, limit, more);
  }
  const raised = envelope(needs, Math.max(1, Math.round(GIVE / frameDuration)));
  for (let f = 0; f < limits.length; f++) limits[f]! += raised[f]!;
}

/** How much longer than its limit a shift has to be, metres, 0 to `more`, for the feet that stand. */
function needOf(legs: readonly ReachLeg[], shifts: Float64Array, f: number, limit: number, more: number): number {
  const length = Math.hypot(shifts[f * 3]!, shifts[f * 3 + 1]!, shifts[f * 3 + 2]!);
  if (length <= limit || allReach(legs, shifts, f, limit / length)) return 0;
  let [short, enough] = [limit, Math.min(length, limit + more)];
  for (let halving = 0; halving < HALVINGS; halving++) {
    const middle = (short + enough) / 2;
    if (allReach(legs, shifts, f, middle / length)) enough = middle;
    else short = middle;
  }
  return enough - limit;
}

/** Keeps shifts within their limits. */
export function limitShifts(shifts: Float64Array, limits: Float64Array): void {
  for (let f = 0, at = 0; f < limits.length; f++, at += 3) {
    const most = limits[f]!;
    const square = shifts[at]! * shifts[at]! + shifts[at + 1]! * shifts[at + 1]! + shifts[at + 2]! * shifts[at + 2]!;
    if (square < NEARLY * most * most) continue;
    const length = Math.hypot(shifts[at]!, shifts[at + 1]!, shifts[at + 2]!);
    if (length > most) for (let k = 0; k < 3; k++) shifts[at + k]! *= most / length;
  }
}

/** Whether all feet that stand are within reach when this share of a frame's shift is made. */
function allReach(legs: readonly ReachLeg[], shifts: Float64Array, f: number, share: number): boolean {
  return legs.every(({ hips, goals, held, reaches }) => {
    if (held[f]! < 1) return true;
    const at = f * 3;
    const x = goals[at]! - hips[at]! - share * shifts[at]!;
    const y = goals[at + 1]! - hips[at + 1]! - share * shifts[at + 1]!;
    const z = goals[at + 2]! - hips[at + 2]! - share * shifts[at + 2]!;
    return Math.hypot(x, y, z) <= reaches[f]!;
  });
}
