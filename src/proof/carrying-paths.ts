/** Paths of the points on which feet stand, and how far they travel. */
import { oncePerKey } from '../skeleton/once-per.ts';
import type { Side } from '../skeleton/side.ts';
import type { Evidence } from './evidence.ts';
import { arrayFor } from './joint-paths.ts';
import type { BodyPoint } from './measure.ts';
import type { Span } from './spans.ts';
import { pathOf, type Track } from './track.ts';

/** Directions in which the extent of a path is taken: at 5.6 degrees apart the widest is missed by 0.12 % at most. */
const DIRECTIONS = 32;
const COS = Float64Array.from({ length: DIRECTIONS }, (_, i) => Math.cos((Math.PI * i) / DIRECTIONS));
const SIN = Float64Array.from({ length: DIRECTIONS }, (_, i) => Math.sin((Math.PI * i) / DIRECTIONS));
/** 0 to 31 with their five bits reversed. */
const ORDER = Uint8Array.from({ length: DIRECTIONS }, (_, i) =>
  Number.parseInt([...i.toString(2).padStart(5, '0')].reverse().join(''), 2),
);

/** Path of a point over ground that may itself move. It may be shared: read it only. */
export function groundPath(track: Track, point: BodyPoint, velocity: readonly [number, number, number]): Float64Array {
  const path = pathOf(track, point);
  if (velocity.every((v) => v === 0)) return path;
  return path.map((value, i) => value - velocity[i % 3]! * Math.floor(i / 3) * track.frameDuration);
}

interface Paths {
  heel: Float64Array;
  ball: Float64Array;
}

/** Points that are tried between the ends of a tread, both included. */
const TREAD_POINTS = 9;

/**
 * Paths of the points that carry heel and front of a foot, over ground that may move. A foot turns on some point of its
 * heel's tread, and one that has no toes joint rolls over its ball, its toe end or what lies between. Any of them is right,
 * so each contact is given the point that stands best.
 */
export const carryingPaths = oncePerKey((evidence: Evidence, side: Side): Paths | null => {
  const { target, feet, spans, groundVelocity } = evidence;
  const foot = feet[side];
  if (!foot) return null;
  const isRigid = foot.ball.joint === foot.heel.joint;
  const best = (from: BodyPoint, to: BodyPoint | null, contacts: readonly Span[]) => {
    const start = groundPath(target, from, groundVelocity);
    if (to === null) return start;
    const end = groundPath(target, to, groundVelocity);
    const path = arrayFor(target.paths, start.length);
    path.set(start);
    for (const [first, last] of contacts) {
      const t = steadiest(start, end, first, last);
      if (t > 0) lerpPath(path, start, end, t, first, last);
    }
    return path;
  };
  return {
    heel: best(foot.heel, foot.heelFront, spans[side].heel),
    ball: best(foot.ball, isRigid ? foot.toe : null, spans[side].ball),
  };
});

let tried = new Float64Array(3 * 1024);

/** How far from one path towards another lies the one that travels least in a span. */
function steadiest(start: Float64Array, end: Float64Array, first: number, last: number): number {
  if (tried.length < last * 3 + 3) tried = new Float64Array(last * 6);
  let best = 0;
  let least = travelOf(start, first, last);
  for (let i = 1; i < TREAD_POINTS; i++) {
    const t = i / (TREAD_POINTS - 1);
    lerpPath(tried, start, end, t, first, last);
    const travel = travelOf(tried, first, last, least);
    if (travel >= least) continue;
    least = travel;
    best = t;
  }
  return best;
}

function lerpPath(
  out: Float64Array,
  start: Float64Array,
  end: Float64Array,
  t: number,
  first: number,
  last: number,
): void {
  for (let k = first * 3; k < last * 3 + 3; k++) out[k] = start[k]! + t * (end[k]! - start[k]!);
}

/**
 * Largest horizontal distance between two positions of a span, metres.
 * @param enough  no more than this is asked for: the search ends where it is reached
 */
export function travelOf(path: Float64Array, first: number, last: number, enough = Number.POSITIVE_INFINITY): number {
  let widest = 0;
  for (let i = 0; i < DIRECTIONS && widest < enough; i++) {
    // Directions far from those before come first: 0, 90, 45, 135 degrees and so on.
    const width = extentAlong(path, first, last, COS[ORDER[i]!]!, SIN[ORDER[i]!]!);
    if (width > widest) widest = width;
  }
  return widest;
}

function extentAlong(path: Float64Array, first: number, last: number, cos: number, sin: number): number {
  let low = Number.POSITIVE_INFINITY;
  let high = Number.NEGATIVE_INFINITY;
  for (let f = first; f <= last; f++) {
    const along = path[f * 3]! * cos + path[f * 3 + 2]! * sin;
    if (along < low) low = along;
    if (along > high) high = along;
  }
  return high - low;
}
