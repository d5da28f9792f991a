/**
 * What legs ask of the shift of the pelvis, packed for the rounds in which it is sought: one row a leg and frame, those of a frame
 * side by side. A round then reads one array from front to back, and what does not
 * change from round to round is worked out once: plants take 8 to 15 % less time than with seven arrays a leg.
 */
import type { ReachLeg } from './reach-leg.ts';

/** Numbers of a row: first from hip to goal without any shift, x, y, z in metres; then the following. */
export const LEG_TERMS = 8;
export const EXTENSION = 3;
export const REACH = 4;
export const NEAREST = 5;
export const HELD = 6;
/** Of the square by which the leg's extension is off. */
export const WEIGHT = 7;

/** Weight of a leg that is folded; a straight one weighs 1 / STRAIGHT times as much. */
export const BENT_WEIGHT = 0.05;
const STRAIGHT = 0.02;

export interface LegTerms {
  /** Frames × legs × LEG_TERMS. */
  terms: Float64Array;
  /** Lengths of the legs, metres. */
  lengths: readonly number[];
  /** How many of them, from the first on, stand on their feet; the others on their knees. */
  feet: number;
}

/** @param knees  thighs that stand on a knee, as legs of one bone */
export function packLegs(legs: readonly ReachLeg[], knees: readonly ReachLeg[], frameCount: number): LegTerms {
  const all = [...legs, ...knees];
  const terms = new Float64Array(frameCount * all.length * LEG_TERMS);
  all.forEach((leg, l) => {
    packLeg(leg, terms, l * LEG_TERMS, all.length * LEG_TERMS);
  });
  return { terms, lengths: all.map(({ length }) => length), feet: legs.length };
}

/** Those of some frames in a row; a view. */
export function cutTerms({ terms, lengths, feet }: LegTerms, first: number, last: number): LegTerms {
  const row = lengths.length * LEG_TERMS;
  // Written out, not spread: an object of another hidden class has all that reads terms compiled anew.
  return { terms: terms.subarray(first * row, (last + 1) * row), lengths, feet };
}

function packLeg(
  { hips, goals, extensions, reaches, nearest, held, length }: ReachLeg,
  terms: Float64Array,
  from: number,
  stride: number,
): void {
  for (let term = from, f = 0, at = 0; term < terms.length; term += stride, f++, at += 3) {
    terms[term] = goals[at]! - hips[at]!;
    terms[term + 1] = goals[at + 1]! - hips[at + 1]!;
    terms[term + 2] = goals[at + 2]! - hips[at + 2]!;
    terms[term + EXTENSION] = extensions[f]!;
    terms[term + REACH] = reaches[f]!;
    terms[term + NEAREST] = nearest[f]!;
    terms[term + HELD] = held[f]!;
    // With equal segments the knee turns by 2·dx / (length · sin) when the extension changes by dx; sin² = 1 − share².
    const share = Math.min(1, extensions[f]! / length);
    terms[term + WEIGHT] = (BENT_WEIGHT / Math.max(STRAIGHT, 1 - share * share)) * held[f]!;
  }
}
