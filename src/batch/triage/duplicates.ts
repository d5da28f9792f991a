import { type BodyTrack, poseAt, poseDistance, TRACKED_ROLES } from './body-track.ts';

/** Moments of a clip that are compared, evenly spread over it. */
const MOMENTS = 64;
const SIZE = TRACKED_ROLES.length * 3;
/** Lengths of near-duplicates differ by less than this share. */
const DURATION_SHARE = 0.03;
/**
 * Mean distance of the joints, in leg lengths, below which two clips are near-duplicates: 2.5 cm on an adult. Two takes of
 * one dance by one performer are at 0.1 and above.
 */
export const DUPLICATE_BELOW = 0.03;

/** What a clip is compared by: 64 poses without place and heading, in leg lengths. About 16 kB. */
export type Sketch = Float64Array;

export function sketchOf(track: BodyTrack): Sketch {
  const sketch = new Float64Array(MOMENTS * SIZE);
  for (let i = 0; i < MOMENTS; i++)
    poseAt(track, Math.round((i / (MOMENTS - 1)) * (track.frameCount - 1)), sketch, i * SIZE);
  return sketch;
}

export interface Sketched {
  name: string;
  seconds: number;
  hash: string;
  sketch: Sketch | null;
}

export interface Duplicate {
  a: string;
  b: string;
  /** Mean distance of the joints in leg lengths; 0 for files with the same bytes. */
  distance: number;
}

/**
 * Distance of two clips: at each of 64 moments, evenly spread over each clip, the mean distance of the tracked joints of
 * one to those of the other, with the hips at one place, the heading taken out and leg length as the unit; the mean of
 * that over the moments. It does not see where or which way a figure moves, nor who performs it, so a clip that was
 * moved, turned, renamed or put onto another skeleton is still near. Parts cut from a longer clip are not found.
 */
export function clipDistance(a: Sketch, b: Sketch, giveUpAbove = Number.POSITIVE_INFINITY): number {
  let sum = 0;
  for (let i = 0; i < MOMENTS; i++) {
    sum += poseDistance(a, i * SIZE, b, i * SIZE);
    if (sum > giveUpAbove * MOMENTS) return Number.POSITIVE_INFINITY;
  }
  return sum / MOMENTS;
}

/** Pairs of clips that are nearly the same, nearest first. Only clips of about the same length are compared. */
export function findDuplicates(clips: readonly Sketched[]): Duplicate[] {
  const byLength = clips.toSorted((a, b) => a.seconds - b.seconds || (a.name < b.name ? -1 : 1));
  const found: Duplicate[] = [];
  for (const [i, a] of byLength.entries()) {
    for (let j = i + 1; j < byLength.length; j++) {
      const b = byLength[j]!;
      if (b.seconds > a.seconds * (1 + DURATION_SHARE)) break;
      const distance =
        a.hash === b.hash
          ? 0
          : a.sketch && b.sketch
            ? clipDistance(a.sketch, b.sketch, DUPLICATE_BELOW)
            : Number.POSITIVE_INFINITY;
      if (distance < DUPLICATE_BELOW) {
        const [first, second] = a.name < b.name ? [a.name, b.name] : [b.name, a.name];
        found.push({ a: first, b: second, distance });
      }
    }
  }
  return found.sort((x, y) => x.distance - y.distance || (x.a < y.a ? -1 : 1));
}
