import type { Side } from './side.ts';

/**
 * Why a foot does not get to its plant: the other foot stands too far away for the two legs, the pelvis shift is at its
 * limit, or the pelvis would have to move faster than a person's does.
 */
export type UnreachedCause = 'other foot' | 'shift limit' | 'pelvis speed';

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
  /** Why it is left, in the frame in which it is largest. */
  cause: UnreachedCause;
}
