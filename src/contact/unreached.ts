import type { Note } from '../errors.ts';
import type { LimbTargets } from '../retarget/limb-targets.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import type { FrameSpan } from './hold.ts';
import type { LegTrack } from './leg-track.ts';

/** A stretch of a contact in which the leg, with all that the pelvis gives, does not get the foot to its plant. */
export interface UnreachedPlant {
  side: Side;
  /** Seconds from the first frame. */
  start: number;
  end: number;
  /** First and last frame, both included. */
  frames: [number, number];
  /** Largest distance that is left, metres; and that as a share of the leg's length. */
  distance: number;
  share: number;
}

/** What is left is worth a word from this share of the leg's length on. */
const WORTH_A_WORD = 0.002;
/** Stretches that are nearer than this (s) are one. */
const ONE = 0.1;

/** Where a leg is too short for its plants: the goal lies farther from the shifted hip than the leg is long. */
export function unreachedPlants(
  leg: LegTrack,
  stands: readonly FrameSpan[],
  targets: LimbTargets,
  lift: number,
  frameDuration: number,
): UnreachedPlant[] {
  const { hips, limb, side } = leg;
  const found: UnreachedPlant[] = [];
  for (const { first, last } of stands) {
    for (let f = first; f <= last; f++) {
      let square = 0;
      for (let k = 0; k < 3; k++) {
        // The track's hips have the lift already, and so has the shift.
        const hip = hips[f * 3 + k]! + targets.rootShifts[f * 3 + k]! - (k === 1 ? lift : 0);
        square += (targets.positions[(f * 4 + limb.limb) * 3 + k]! - hip) ** 2;
      }
      const distance = Math.sqrt(square) - limb.length;
      const share = distance / limb.length;
      if (share <= WORTH_A_WORD) continue;
      const newest = found[found.length - 1];
      if (newest && (f - newest.frames[1]) * frameDuration <= ONE) {
        newest.frames[1] = f;
        newest.end = f * frameDuration;
        newest.distance = Math.max(newest.distance, distance);
        newest.share = Math.max(newest.share, share);
      } else {
        const time = f * frameDuration;
        found.push({ side, start: time, end: time, frames: [f, f], distance, share });
      }
    }
  }
  return found;
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
