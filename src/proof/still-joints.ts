/**
 * Joints that stay still where the source's move. Ways tried: world rotations of both figures for every role, over all frames;
 * nothing else asks for those of fingers, and their kinematics and arrays were paid for this measure alone. The local rotations
 * between a joint and the one above tell the same, and mostly in a few frames.
 */
import { angleBetweenQuats, copyQuat, mulInverseQuat, mulQuat } from '../math/quat.ts';
import { ROLES, type Role } from '../pairing/roles.ts';
import { oncePerKey } from '../skeleton/once-per.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';
import { jointAbove } from './build.ts';
import { type Evidence, measured, notMeasured } from './evidence.ts';
import { readRotation } from './joint-paths.ts';
import type { Measure, Where } from './measure.ts';
import { jointTurns, type Track } from './track.ts';

const STILL_DEGREES = 0.5;
const MOVING_DEGREES = 10;

export function stillJoints(evidence: Evidence): Measure {
  const { target, source, sharedFrames } = evidence;
  if (!source) return notMeasured(evidence, 'still-joints', 'there is no source to compare with');
  const places: Where[] = [];
  let judged = 0;
  for (const role of ROLES) {
    // Toes lie level on the floor while the foot stands, and keep to a foot that has no ball to bend at.
    if (role === 'leftToes' || role === 'rightToes') continue;
    const joint = target.figure.roles[role];
    if (joint === undefined || source.figure.roles[role] === undefined) continue;
    judged++;
    if (!isMoving(source, role)) continue;
    const turns =
      reaches(target, role, sharedFrames, STILL_DEGREES) ??
      largestTurn(target, role, sharedFrames, STILL_DEGREES) >= STILL_DEGREES;
    if (turns) continue;
    places.push({
      role,
      joint: target.figure.skeleton.names[joint]!,
      frames: [0, sharedFrames - 1],
      worstFrame: 0,
      value: 1,
      note: `the source turns by ${mostTurned(source, role).toFixed(0)}°`,
    });
  }
  if (judged === 0) return notMeasured(evidence, 'still-joints', 'no joint is paired on both figures');
  return measured(evidence, 'still-joints', places.length, places, { joints: judged });
}

const isMoving = oncePerKey(
  (source: Track, role: Role): boolean =>
    reaches(source, role, source.frameCount, MOVING_DEGREES) ?? mostTurned(source, role) > MOVING_DEGREES,
);

/** Largest turn of a joint of the source against the role above it, from its first frame, degrees. */
const mostTurned = oncePerKey((track: Track, role: Role): number =>
  largestTurn(track, role, track.frameCount, Number.POSITIVE_INFINITY),
);

/** Local rotations of a chain and world rotations of its ends tell a turn alike to this cosine of its half: rounding. */
const ALIKE = 1e-9;

/**
 * Whether a joint turns against the role above it, from its first frame, by so many degrees. By local rotations alone; null where
 * these do not tell, because they come too near to the limit, or because the moments are no frames.
 */
function reaches({ figure, paths }: Track, role: Role, frameCount: number, degrees: number): boolean | null {
  const { skeleton, clip, roles } = figure;
  const chain = chainBetween(skeleton, jointAbove(roles, role), roles[role]!);
  if (chain === null || paths.between !== null) return null;
  const limit = Math.cos((degrees * Math.PI) / 360);
  const start = paths.first * clip.jointCount * 4;
  const cosine = leastCosine(chain, clip.rotations, start, clip.jointCount * 4, frameCount, limit - ALIKE);
  return cosine < limit - ALIKE ? true : cosine > limit + ALIKE ? false : null;
}

/** The joints below one (below the world for null) down to another; null where that does not hang from it. */
function chainBetween({ parents }: Skeleton, above: number | null, joint: number): Int16Array | null {
  const chain: number[] = [];
  const end = above ?? -1;
  let j = joint;
  for (; j >= 0 && j !== end; j = parents[j]!) chain.push(j);
  return j === end && chain.length > 0 ? Int16Array.from(chain.reverse()) : null;
}

const first = new Float64Array(4);
const now = new Float64Array(4);
const local = new Float64Array(4);

/**
 * Least cosine of half the angle between the rotation down a chain in the first frame and in another; the search ends below
 * `enough`.
 */
function leastCosine(
  chain: Int16Array,
  rotations: Float32Array,
  start: number,
  stride: number,
  frameCount: number,
  enough: number,
): number {
  let least = 1;
  for (let f = 0, at = start; f < frameCount && least >= enough; f++, at += stride) {
    readRotation(now, 0, rotations, at + chain[0]! * 4);
    for (let c = 1; c < chain.length; c++) {
      readRotation(local, 0, rotations, at + chain[c]! * 4);
      mulQuat(now, 0, now, 0, local, 0);
    }
    if (f === 0) copyQuat(first, 0, now, 0);
    const cosine = halfCosine();
    if (cosine < least) least = cosine;
  }
  return least;
}

function halfCosine(): number {
  return Math.abs(first[0]! * now[0]! + first[1]! * now[1]! + first[2]! * now[2]! + first[3]! * now[3]!);
}

/** Largest turn from the first frame in degrees, by world rotations; the search ends at the first one that reaches `enough`. */
function largestTurn(track: Track, role: Role, frameCount: number, enough: number): number {
  const { roles } = track.figure;
  const above = jointAbove(roles, role);
  const own = jointTurns(track, roles[role]!);
  const parent = above === null ? null : jointTurns(track, above);
  // Cosines of half the angle order the turns; only a larger one is worth its arc.
  let least = 1;
  let degrees = 0;
  for (let f = 0; f < frameCount && degrees < enough; f++) {
    if (parent === null) copyQuat(now, 0, own, f * 4);
    else mulInverseQuat(now, 0, parent, f * 4, own, f * 4);
    if (f === 0) copyQuat(first, 0, now, 0);
    const cosine = halfCosine();
    if (cosine > least + 1e-12) continue;
    least = Math.min(least, cosine);
    degrees = Math.max(degrees, (angleBetweenQuats(first, 0, now, 0) * 180) / Math.PI);
  }
  return degrees;
}
