import { type BodyTrack, poseAt, poseDistance, TRACKED_ROLES } from './body-track.ts';

/** What kind of motion a clip is. */
export interface MotionKind {
  /** Diagonal of the area that the hips cover, in leg lengths. */
  travel: number;
  /** Whether it goes somewhere: more than `MOVING_FROM`. */
  isMoving: boolean;
  /** Seconds of one cycle; null where the motion does not repeat. */
  period: number | null;
  /** How much poses a cycle apart differ, over how much poses at shorter lags do; small where it repeats. */
  repetition: number;
}

/** A figure that shifts its weight covers about half a leg length, one that walks away soon more than this. No source. */
export const MOVING_FROM = 1.5;
/** Walks give 0.03 to 0.2, jumping jacks 0.35, drills of martial arts 0.35 to 0.7, dances 0.7 and more. By trial, no source. */
export const CYCLIC_BELOW = 0.4;

const SHORTEST_CYCLE = 0.4; // s. Running has 1.4 strides a second at most.
/** A cycle has to be seen three times. */
const LONGEST_SHARE = 1 / 3;
/** Poses that are looked at. */
const MOST_POSES = 360;
const POSES_A_SECOND = 20;

/** Tells how a motion travels, and whether it repeats, by comparing its poses at every lag. */
export function readMotionKind(track: BodyTrack): MotionKind {
  const travel = hipsArea(track);
  const { period, repetition } = findPeriod(track);
  return { travel, isMoving: travel > MOVING_FROM, period, repetition };
}

function hipsArea({ positions, frameCount, legLength }: BodyTrack): number {
  const stride = TRACKED_ROLES.length * 3;
  let [minX, maxX, minZ, maxZ] = [Infinity, -Infinity, Infinity, -Infinity];
  for (let f = 0; f < frameCount; f++) {
    const x = positions[f * stride]!;
    const z = positions[f * stride + 2]!;
    minX = Math.min(minX, x);
    maxX = Math.max(maxX, x);
    minZ = Math.min(minZ, z);
    maxZ = Math.max(maxZ, z);
  }
  return frameCount > 0 ? Math.hypot(maxX - minX, maxZ - minZ) / legLength : 0;
}

/**
 * The cumulative mean normalised difference of de Cheveigné & Kawahara 2002, J. Acoust. Soc. Am. 111(4), 1917–1930, step 3
 * (eq. 8), on poses in place of sound: how far poses at a lag differ, over how far they differ at all shorter lags. It falls
 * where a motion returns, and not where it merely stands or moves slowly. The first lag that falls below the threshold and
 * is a minimum counts (step 4), since two cycles fit too.
 */
function findPeriod(track: BodyTrack): { period: number | null; repetition: number } {
  const seconds = (track.frameCount - 1) / track.fps;
  const count = Math.min(MOST_POSES, Math.floor(seconds * POSES_A_SECOND) + 1);
  if (count < 8) return { period: null, repetition: 1 };
  const size = TRACKED_ROLES.length * 3;
  const poses = new Float64Array(count * size);
  for (let i = 0; i < count; i++)
    poseAt(track, Math.round((i / (count - 1)) * (track.frameCount - 1)), poses, i * size);
  const step = seconds / (count - 1);
  const first = Math.max(1, Math.ceil(SHORTEST_CYCLE / step));
  const last = Math.floor((count - 1) * LONGEST_SHARE);
  const scores = new Float64Array(last + 1).fill(1);
  let total = 0;
  for (let lag = 1; lag <= last; lag++) {
    let sum = 0;
    for (let i = 0; i + lag < count; i++) sum += poseDistance(poses, i * size, poses, (i + lag) * size) ** 2;
    const difference = sum / (count - lag);
    total += difference;
    scores[lag] = total > 0 ? (difference * lag) / total : 1;
  }
  let best = 1;
  for (let lag = first; lag < last; lag++) {
    const score = scores[lag]!;
    best = Math.min(best, score);
    const isLowest = score <= scores[lag - 1]! && score <= scores[lag + 1]!;
    if (isLowest && score < CYCLIC_BELOW) return { period: lag * step, repetition: score };
  }
  return { period: null, repetition: Number.isNaN(best) ? 1 : best };
}
