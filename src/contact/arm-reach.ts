/** How far a hand that is held to something may take its arm. */
import { distanceVec, dotVec, lengthVec, lerpVec, subVec } from '../math/vec.ts';

/** A contact stretches an arm freely up to the first share of its length, and never beyond the second, unless it may grow. */
const REACH = [0.85, 0.97] as const;
/** It folds an arm freely down to the first share, and never below the second: an elbow bent by 150 degrees. */
const FOLD = [0.4, 0.26] as const;

const along = new Float64Array(3);
const offset = new Float64Array(3);

/**
 * Keeps a wrist from folding or stretching its arm, as far as its own way does not do so; smooth in value and slope.
 *
 * @param place     where the wrist should be; changed
 * @param base      its own way, frames × 3
 * @param shoulder  frames × 3
 * @param length    of the arm
 * @param stretch   by which share of that it may grow
 */
export function keepInReach(
  place: Float64Array,
  base: Float64Array,
  shoulder: Float64Array,
  f: number,
  length: number,
  stretch: number,
): void {
  subVec(along, 0, base, f * 3, shoulder, f * 3);
  const own = lengthVec(along, 0);
  if (own > 0) unfold(place, shoulder, f, own, FOLD[0] * length, FOLD[1] * length);
  const far = distanceVec(place, 0, shoulder, f * 3);
  const free = Math.max(REACH[0] * length, own);
  if (far <= free) return;
  const most = stretch > 0 ? 1 + stretch : REACH[1];
  const eased = free + yielding(far - free, most * length - free);
  lerpVec(place, 0, shoulder, f * 3, place, 0, eased / far);
}

/**
 * Takes a wrist that is too near to its shoulder away from it, the way that it lies on its own: `along`, as long as `own`.
 * The way from the shoulder to the place itself turns fast where that passes it by closely.
 * @param free   a wrist nearer than this, and nearer than on its own way, is too near
 * @param least  how near it gets at most, where its own way does not get nearer
 */
function unfold(
  place: Float64Array,
  shoulder: Float64Array,
  f: number,
  own: number,
  free: number,
  least: number,
): void {
  subVec(offset, 0, place, 0, shoulder, f * 3);
  const ahead = dotVec(offset, 0, along, 0) / own;
  // A place beside or behind the shoulder is left, the more the farther it is.
  const aside = (dotVec(offset, 0, offset, 0) - Math.max(0, ahead) ** 2) / (free * free);
  const missing = Math.min(free, own) - ahead;
  if (missing <= 0 || aside >= 1) return;
  const out = (1 - aside) ** 2 * (missing - yielding(missing, Math.min(free, own) - least));
  for (let k = 0; k < 3; k++) place[k]! += (out / own) * along[k]!;
}

/** How much is left of what goes beyond a limit that gives way by `room` at most. */
function yielding(beyond: number, room: number): number {
  return room > 0 ? room * (1 - Math.exp(-beyond / room)) : 0;
}
