/**
 * Ground that slopes. All measures take the floor for level: where it is not, both figures are turned until it is, and are then
 * judged square to the slope. Where the ground lies is told by the ankles of feet that stand.
 */
import type { Note } from '../errors.ts';
import { rotateVec, rotateVecInverse, rotationBetween } from '../math/quat.ts';
import { addVec, distanceVec, dotVec, normalizeVec } from '../math/vec.ts';
import { sidedRole } from '../pairing/roles.ts';
import type { Clip } from '../skeleton/clip.ts';
import { moveClip, placementOf } from '../skeleton/normalise.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';
import type { FootPoints } from './measure.ts';
import type { FootSpans, Span } from './spans.ts';
import { quantile } from './statistics.ts';
import { jointTurns, pathOf, type Track } from './track.ts';

/** Metres a metre. Below the first (3 degrees) it is the floor of a capture room, above the second (19 degrees) a stair. */
const SLOPES = [0.05, 0.35] as const;
/** The plane has to leave less than this share of the differences in height that a level floor leaves. */
const EXPLAINED = 0.4;
/** Stances that are needed to tell. */
const STANCES = 4;
/** Without known contacts an ankle that moves slower than this (leg lengths a second) for so long (s) stands. */
const SLOW = 0.12;
const STILL = 0.1;
/** Soles that agree so much better (rad, both feet) on one ground than on the other tell which it is. */
const TELLING = Math.PI / 90;
/** A slope that rises by less is a ramp and no stair: metres a metre. */
const GENTLE = 0.2;
/** Rounds in which stances that do not fit lose weight: one over how far they are off. */
const ROUNDS = 12;

type Vec = readonly [number, number, number];

/** A capture tells its slope no better than this (degrees); over ten metres it makes a difference of 17 cm. */
const SAME = 1;

/**
 * The direction square to the ground, where it clearly slopes; null where it does not. It is what the source stands on; within
 * what that is known to, it is what the target stands on.
 * @param spans  when feet stand; null where that is not known
 */
export function rampUnder(target: Track, source: Track | null, spans: FootSpans | null): Vec | null {
  const its = source && upUnder(source, spans);
  if (source && !its) return null;
  const own = upUnder(target, spans);
  return its && (!own || degreesBetween(own, its) > SAME) ? its : own;
}

function degreesBetween(a: Vec, b: Vec): number {
  const cosine = (a[0] * b[0] + a[1] * b[1] + a[2] * b[2]) / (Math.hypot(...a) * Math.hypot(...b));
  return (Math.acos(Math.min(1, cosine)) * 180) / Math.PI;
}

function upUnder(track: Track, spans: FootSpans | null): Vec | null {
  const { legLength } = track;
  const feet = SIDES.filter((side) => track.limbs[`${side}Leg`]).map((side) =>
    spans ? flatStances(track, side, spans) : stillStances(track, side),
  );
  const places = feet.flat().map(({ place }) => place);
  if (places.length < STANCES || !(legLength > 0)) return null;
  const weights = places.map(() => 1);
  let [slopeX, slopeZ, level] = [0, 0, 0];
  const missing = () => places.map(([x, y, z]) => Math.abs(y - slopeX * x - slopeZ * z - level));
  for (let round = 0; round < ROUNDS; round++) {
    [slopeX, slopeZ, level] = planeOf(places, weights, legLength);
    missing().forEach((far, i) => {
      weights[i] = 1 / Math.max(far, 1e-3 * legLength);
    });
  }
  const slope = Math.hypot(slopeX, slopeZ);
  if (slope < SLOPES[0] || slope > SLOPES[1]) return null;
  const along = places.map(([x, , z]) => (slopeX * x + slopeZ * z) / slope);
  if (Math.max(...along) - Math.min(...along) < legLength) return null;
  const sum = (values: readonly number[]) => values.reduce((a, b) => a + b, 0);
  const heights = Float64Array.from(places, ([, y]) => y);
  const middle = quantile(heights.slice(), 0.5);
  if (sum(missing()) > EXPLAINED * sum([...heights].map((y) => Math.abs(y - middle)))) return null;
  const up: Vec = [-slopeX, 1, -slopeZ];
  return solesFollow(feet, up) ? up : null;
}

/** A foot that stands: where its ankle is on the mean, and how it is turned half-way, xyzw; null without a foot joint. */
interface Stance {
  place: Vec;
  turn: Float64Array | null;
}

function stanceOf(track: Track, side: Side, [first, last]: Span): Stance {
  const limb = track.limbs[`${side}Leg`]!;
  const foot = track.figure.roles[sidedRole(side, 'Foot')];
  const f = Math.round((first + last) / 2);
  return {
    place: meanOf(pathOf(track, limb.end), [first, last]),
    turn: foot === undefined ? null : jointTurns(track, foot).slice(f * 4, f * 4 + 4),
  };
}

/** The feet while heel and ball stand together. */
function flatStances(track: Track, side: Side, spans: FootSpans): Stance[] {
  return spans[side].heel.flatMap(([first, last]) =>
    spans[side].ball.flatMap(([from, to]): Stance[] => {
      const span: Span = [Math.max(first, from), Math.min(last, to, track.frameCount - 1)];
      return span[1] > span[0] ? [stanceOf(track, side, span)] : [];
    }),
  );
}

function stillStances(track: Track, side: Side): Stance[] {
  const { frameCount, frameDuration, legLength } = track;
  const shortest = STILL / (frameDuration || 1);
  const path = pathOf(track, track.limbs[`${side}Leg`]!.end);
  const found: Stance[] = [];
  for (let f = 1, first = 0; f <= frameCount; f++) {
    if (f < frameCount && distanceVec(path, f * 3, path, f * 3 - 3) < SLOW * legLength * frameDuration) continue;
    if (f - 1 - first >= shortest) found.push(stanceOf(track, side, [first, f - 1]));
    first = f;
  }
  return found;
}

/**
 * Whether soles lie along the slope, and are not level as on stairs: those of one foot are always the same side of it. Feet that
 * never turn tell nothing, and a gentle slope is a ramp.
 */
function solesFollow(feet: readonly (readonly Stance[])[], up: Vec): boolean {
  let more = 0;
  for (const stances of feet) {
    const turns = stances.flatMap(({ turn }) => (turn ? [turn] : []));
    more += spreadOf(turns, [0, 1, 0]) - spreadOf(turns, up);
  }
  return Math.abs(more) > TELLING ? more > 0 : Math.hypot(up[0], up[2]) < GENTLE * up[1];
}

/** How far a direction lies from where it lies on the mean, as seen from the feet, radians on the mean. */
function spreadOf(turns: readonly Float64Array[], direction: Vec): number {
  const seen = turns.map((turn) => {
    const out = Float64Array.from(direction);
    normalizeVec(out, 0);
    rotateVecInverse(out, 0, turn, 0, out, 0);
    return out;
  });
  const mean = new Float64Array(3);
  for (const one of seen) addVec(mean, 0, mean, 0, one, 0);
  normalizeVec(mean, 0);
  const away = seen.map((one) => Math.acos(Math.max(-1, Math.min(1, dotVec(one, 0, mean, 0)))));
  return away.reduce((a, b) => a + b, 0) / Math.max(1, away.length);
}

function meanOf(path: Float64Array, [first, last]: Span): Vec {
  const sum: [number, number, number] = [0, 0, 0];
  for (let f = first; f <= last; f++) for (let k = 0; k < 3; k++) sum[k]! += path[f * 3 + k]! / (last - first + 1);
  return sum;
}

/** Weighted least squares: slopes along x and z, and the height at the origin. A narrow way tells the slope along it alone. */
function planeOf(places: readonly Vec[], weights: readonly number[], legLength: number): Vec {
  const total = weights.reduce((a, b) => a + b, 0);
  const mean = (k: 0 | 1 | 2) => places.reduce((sum, place, i) => sum + weights[i]! * place[k], 0) / total;
  const [mx, my, mz] = [mean(0), mean(1), mean(2)];
  let [xx, xz, zz, xy, zy] = [0, 0, 0, 0, 0];
  places.forEach(([px, py, pz], i) => {
    const [w, x, y, z] = [weights[i]! / total, px - mx, py - my, pz - mz];
    xx += w * x * x;
    xz += w * x * z;
    zz += w * z * z;
    xy += w * x * y;
    zy += w * z * y;
  });
  const heading = 0.5 * Math.atan2(2 * xz, xx - zz);
  const [c, s] = [Math.cos(heading), Math.sin(heading)];
  const across = places.map(([x, , z]) => c * z - s * x);
  const isNarrow = Math.max(...across) - Math.min(...across) < legLength;
  const longest = c * c * xx + 2 * c * s * xz + s * s * zz;
  const determinant = xx * zz - xz * xz;
  let [slopeX, slopeZ] = [0, 0];
  if (isNarrow && longest > 0) {
    const slope = (c * xy + s * zy) / longest;
    [slopeX, slopeZ] = [slope * c, slope * s];
  } else if (!isNarrow && determinant > 0) {
    [slopeX, slopeZ] = [(xy * zz - zy * xz) / determinant, (zy * xx - xy * xz) / determinant];
  }
  return [slopeX, slopeZ, my - slopeX * mx - slopeZ * mz];
}

const turn = new Float64Array(4);

/** A motion turned the shortest way until `up` is upright. */
export function turnedLevel(clip: Clip, skeleton: Skeleton, up: Vec): Clip {
  const facing = Float64Array.of(0, 0, 1);
  rotationBetween(turn, 0, Float64Array.of(0, 1, 0), 0, Float64Array.from(up), 0);
  rotateVec(facing, 0, turn, 0, facing, 0);
  return moveClip(clip, skeleton, placementOf(up, facing, 1, 0));
}

/** A motion so much lower. */
export function lowered(clip: Clip, skeleton: Skeleton, by: number): Clip {
  return moveClip(clip, skeleton, { rotation: [0, 0, 0, 1], scale: 1, translation: [0, -by, 0] });
}

/**
 * How high the feet of a figure on level ground stand in most contacts, metres; 0 without any. On a slope nothing else tells
 * where the ground is.
 */
export function standingHeight(
  track: Track,
  feet: Record<'left' | 'right', FootPoints | null>,
  spans: FootSpans,
): number {
  const heights: number[] = [];
  for (const side of SIDES) {
    const points = feet[side];
    if (!points) continue;
    for (const point of ['heel', 'ball'] as const)
      for (const [first, last] of spans[side][point])
        if (last < track.frameCount) heights.push(meanOf(pathOf(track, points[point]), [first, last])[1]);
  }
  return heights.length > 0 ? quantile(Float64Array.from(heights), 0.5) : 0;
}

export function rampNote([x, y, z]: Vec): Note {
  const degrees = (Math.atan2(Math.hypot(x, z), y) * 180) / Math.PI;
  return {
    code: 'PROOF_RAMP',
    severity: 'info',
    message: `The ground slopes by ${degrees.toFixed(1)} degrees. Both figures are judged, and shown, turned until it is level; its height is that of most contacts.`,
  };
}
