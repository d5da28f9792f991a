import type { Note } from '../errors.ts';
import type { LimbTargets } from '../retarget/limb-targets.ts';
import { SIDES } from '../skeleton/side.ts';
import type { UnreachedCause, UnreachedPlant } from '../skeleton/unreached-plant.ts';
import type { FrameSpan } from './hold.ts';
import type { LegTrack } from './leg-track.ts';

/** What is left is worth a word from this share of the leg's length on. */
const WORTH_A_WORD = 0.002;
/** Stretches that are nearer than this (s) are one. */
const ONE = 0.1;
/** A shift beyond this share of the largest is at its limit. */
const AT_LIMIT = 0.98;

/** What is known of one leg: where the plain retarget has its hip, and when its foot stands. */
export interface StandingLeg {
  leg: LegTrack;
  spans: readonly FrameSpan[];
}

/**
 * Where a leg is too short for its plants: the goal lies farther from the shifted hip than the leg is long.
 * @param lift     by which the tracks' hips were raised, metres: the shifts hold it too
 * @param limits   longest shift of the pelvis that each frame was allowed, metres
 */
export function unreachedPlants(
  standing: readonly StandingLeg[],
  targets: LimbTargets,
  lift: number,
  limits: Float64Array,
  frameDuration: number,
): UnreachedPlant[] {
  const found: UnreachedPlant[] = [];
  const { positions, rootShifts } = targets;
  for (const { leg, spans } of standing) {
    const { limb, side, hips } = leg;
    const other = standing.find((its) => its.leg.side !== side);
    let newest: UnreachedPlant | undefined;
    for (const { first, last } of spans) {
      for (let f = first; f <= last; f++) {
        const at = (f * 4 + limb.limb) * 3;
        const x = positions[at]! - hips[f * 3]! - rootShifts[f * 3]!;
        const y = positions[at + 1]! - hips[f * 3 + 1]! - rootShifts[f * 3 + 1]! + lift;
        const z = positions[at + 2]! - hips[f * 3 + 2]! - rootShifts[f * 3 + 2]!;
        // Most are within reach.
        if (x * x + y * y + z * z < limb.length * limb.length) continue;
        const distance = Math.hypot(x, y, z) - limb.length;
        const share = distance / limb.length;
        if (share <= WORTH_A_WORD) continue;
        const time = f * frameDuration;
        const isNew = !newest || (f - newest.frames[1]) * frameDuration > ONE;
        if (!newest || isNew) {
          newest = { side, start: time, end: time, frames: [f, f], distance: 0, share: 0, cause: 'pelvis speed' };
          found.push(newest);
        }
        newest.frames[1] = f;
        newest.end = time;
        if (share <= newest.share) continue;
        newest.distance = distance;
        newest.share = share;
        newest.cause = causeOf(leg, other, targets, lift, limits[f]!, f);
      }
    }
  }
  return found;
}

/** From the hip, as the track has it, to where the ankle has to be. */
function spanOf({ hips, limb }: LegTrack, { positions }: LimbTargets, f: number): [number, number, number] {
  const at = (f * 4 + limb.limb) * 3;
  return [positions[at]! - hips[f * 3]!, positions[at + 1]! - hips[f * 3 + 1]!, positions[at + 2]! - hips[f * 3 + 2]!];
}

/**
 * A shift of the pelvis that suits two legs lies within each leg's length of what that leg asks for; where the two wishes
 * are farther apart than both legs are long, there is none.
 */
function causeOf(
  leg: LegTrack,
  other: StandingLeg | undefined,
  targets: LimbTargets,
  lift: number,
  largest: number,
  f: number,
): UnreachedCause {
  if (other?.spans.some(({ first, last }) => first <= f && f <= last)) {
    const own = spanOf(leg, targets, f);
    const its = spanOf(other.leg, targets, f);
    const apart = Math.hypot(own[0] - its[0], own[1] - its[1], own[2] - its[2]);
    if (apart > leg.limb.length + other.leg.limb.length) return 'other foot';
  }
  const [x, y, z] = targets.rootShifts.subarray(f * 3, f * 3 + 3) as unknown as [number, number, number];
  return Math.hypot(x, y - lift, z) > AT_LIMIT * largest ? 'shift limit' : 'pelvis speed';
}

/** One warning a side: where its leg is too short for its plants, and by how much. */
export function unreachedNotes(unreached: readonly UnreachedPlant[]): Note[] {
  return SIDES.flatMap((side): Note[] => {
    const own = unreached.filter((plant) => plant.side === side);
    if (own.length === 0) return [];
    const worst = Math.max(...own.map(({ share }) => share));
    const spans = own.map(({ frames: [first, last] }) => (first === last ? `${first}` : `${first}–${last}`)).join(', ');
    return [
      {
        code: 'CONTACT_OUT_OF_REACH',
        severity: 'warning',
        message: `The ${side} leg is too short for its plants by up to ${(worst * 100).toFixed(1)} % of its length, in frames ${spans}, although the pelvis gives way.`,
        place: { frame: own[0]!.frames[0] },
      },
    ];
  });
}
