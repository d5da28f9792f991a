import { rotateVec } from '../math/quat.ts';
import type { ContactInterval, FootContacts } from '../skeleton/contact-interval.ts';
import type { Side } from '../skeleton/side.ts';
import type { FrameSpan } from './hold.ts';
import {
  attitudeOf,
  createAttitude,
  headingOf,
  type LevelFoot,
  type SupportPoint,
  strideBetween,
} from './level-foot.ts';

/** One run of frames in which heel or ball rests, with its spot once it is known. */
export interface Rest {
  point: 'heel' | 'ball';
  span: FrameSpan;
  /** The point of the foot that stays in place. */
  pivot: SupportPoint;
  /** Height of what it rests on, metres. */
  floor: number;
  /** Where the pivot rests, metres, world space. */
  spot: [number, number, number];
}

/** Frames in which heel and ball of a foot rest together: its sole is level and its heading constant. */
export interface Flat {
  heel: Rest;
  ball: Rest;
  span: FrameSpan;
  /** About +Y, 0 along +Z. */
  heading: number;
}

/** A ball that comes down so soon (s) after its heel has left, or the other way round, is one step with it. */
const JUNCTION = 0.08;

/** Heel and ball contacts of one foot as runs of frames, by their first frame. */
export function restsOf(
  contacts: FootContacts[Side],
  level: LevelFoot,
  frameCount: number,
  frameDuration: number,
): Rest[] {
  const rests: Rest[] = [];
  for (const point of ['heel', 'ball'] as const) {
    for (const interval of contacts[point]) {
      const span = framesOf(interval, frameCount, frameDuration);
      if (span) rests.push({ point, span, pivot: level[point], floor: 0, spot: [0, 0, 0] });
    }
  }
  rests.sort((a, b) => a.span.first - b.span.first);
  joinRolls(rests, JUNCTION / frameDuration);
  return rests;
}

/** What of some rests lies outside of spans, cut where it must be; by their first frame. */
export function restsOutside(rests: readonly Rest[], spans: readonly FrameSpan[]): Rest[] {
  if (spans.length === 0) return [...rests];
  const left = rests.flatMap((rest) => {
    let parts: FrameSpan[] = [rest.span];
    for (const { first, last } of spans) {
      parts = parts.flatMap((part) =>
        [
          { first: part.first, last: Math.min(part.last, first - 1) },
          { first: Math.max(part.first, last + 1), last: part.last },
        ].filter((piece) => piece.first <= piece.last),
      );
    }
    return parts.map((span): Rest => ({ ...rest, span, spot: [...rest.spot] }));
  });
  return left.sort((a, b) => a.span.first - b.span.first);
}

/** Frames that lie within an interval; null when none does. */
export function framesOf(interval: ContactInterval, frameCount: number, frameDuration: number): FrameSpan | null {
  const first = Math.max(0, Math.ceil(interval.start / frameDuration - 1e-3));
  const last = Math.min(frameCount - 1, Math.floor(interval.end / frameDuration + 1e-3));
  return first <= last ? { first, last } : null;
}

/** Lets a foot that goes from heel to ball (or back) with no frame in common be flat for the frames between. */
function joinRolls(rests: readonly Rest[], longest: number): void {
  // Of those that have begun, the one that ends last: if that is over, nothing rests.
  let newest: Rest | null = null;
  for (const next of rests) {
    if (newest && newest.point !== next.point) {
      const gap = next.span.first - newest.span.last;
      if (gap > 0 && gap <= longest) newest.span.last = next.span.first;
    }
    if (!newest || next.span.last >= newest.span.last) newest = next;
  }
}

/** Frames in which anything of the foot rests, as disjoint spans. */
export function standsOf(rests: readonly Rest[]): FrameSpan[] {
  const spans: FrameSpan[] = [];
  for (const { span } of rests) {
    const before = spans[spans.length - 1];
    if (before && span.first <= before.last + 1) before.last = Math.max(before.last, span.last);
    else spans.push({ ...span });
  }
  return spans;
}

/** Frames in which a heel and a ball contact hold together, in order. */
export function flatsOf(rests: readonly Rest[]): Flat[] {
  const flats: Flat[] = [];
  for (const heel of rests) {
    if (heel.point !== 'heel') continue;
    for (const ball of rests) {
      if (ball.point !== 'ball') continue;
      const first = Math.max(heel.span.first, ball.span.first);
      const last = Math.min(heel.span.last, ball.span.last);
      if (first <= last) flats.push({ heel, ball, span: { first, last }, heading: 0 });
    }
  }
  return flats.sort((a, b) => a.span.first - b.span.first);
}

/** Heading of a foot about +Y, 0 along +Z: mean direction over a span. */
export function meanHeading(feet: Float64Array, undo: Float64Array, span: FrameSpan): number {
  const attitude = createAttitude();
  let x = 0;
  let z = 0;
  for (let f = span.first; f <= span.last; f++) {
    headingOf(attitude, feet, f, undo);
    x += attitude.x;
    z += attitude.z;
  }
  return Math.atan2(x, z);
}

/** How much more a slide of the front end over the floor counts than a displacement of the whole foot. */
const SLIDE_WEIGHT = 5;

/**
 * Lets each ball contact of a stiff foot choose where it turns: on its front end, over which it rolls, or further back,
 * where a foot that spins on its ball turns. What counts is how far the foot has to be moved, and how far its front end
 * would slide while the heel rises.
 */
export function choosePivots(rests: readonly Rest[], level: LevelFoot, feet: Float64Array, ankles: Float64Array): void {
  if (level.turningPoints.length === 0) return;
  const attitude = createAttitude();
  const vec = new Float64Array(3);
  for (const rest of rests) {
    if (rest.point !== 'ball') continue;
    const { first, last } = rest.span;
    // A front end that lies one metre ahead of the pivot slides so far, squared and summed over the contact.
    let slides = 0;
    for (let f = first; f <= last; f++) {
      attitudeOf(attitude, feet, f, level.undo);
      slides += (1 - Math.cos(attitude.pitch)) ** 2;
    }
    let least = Number.POSITIVE_INFINITY;
    for (const pivot of [level.ball, ...level.turningPoints]) {
      const behind = Math.hypot(...strideBetween(level, pivot, level.ball));
      let [x, z, xx, zz] = [0, 0, 0, 0];
      for (let f = first; f <= last; f++) {
        rotateVec(vec, 0, feet, f * 4, pivot.at, 0);
        const px = ankles[f * 3]! + vec[0]! - ankles[first * 3]!;
        const pz = ankles[f * 3 + 2]! + vec[2]! - ankles[first * 3 + 2]!;
        x += px;
        z += pz;
        xx += px * px;
        zz += pz * pz;
      }
      const count = last - first + 1;
      const moved = Math.sqrt(Math.max(0, (xx + zz) / count - (x * x + z * z) / (count * count)));
      const cost = moved + SLIDE_WEIGHT * behind * Math.sqrt(slides / count);
      if (cost < least) {
        least = cost;
        rest.pivot = pivot;
      }
    }
  }
}

interface Chain {
  /** The rests that are placed as one, with where each lies from the first: x and z. */
  members: { rest: Rest; x: number; z: number }[];
}

/**
 * Rests that are flat together share one placement: heel and ball lie a foot apart in the flat phase's heading. Contacts
 * of one kind never overlap, so the links form chains in time. Each chain is put where the plain retarget has its points on
 * average: least is moved.
 *
 * @param feet    world rotations, level in the flat phases, frames × 4
 * @param ankles  where the plain retarget has the ankle, frames × 3
 */
export function placeRests(
  rests: readonly Rest[],
  flats: readonly Flat[],
  level: LevelFoot,
  feet: Float64Array,
  ankles: Float64Array,
): void {
  const vec = new Float64Array(3);
  for (const { members } of chainsOf(rests, flats, level)) {
    let x = 0;
    let z = 0;
    let count = 0;
    for (const member of members) {
      const { pivot, span } = member.rest;
      for (let f = span.first; f <= span.last; f++) {
        rotateVec(vec, 0, feet, f * 4, pivot.at, 0);
        x += ankles[f * 3]! + vec[0]! - member.x;
        z += ankles[f * 3 + 2]! + vec[2]! - member.z;
        count++;
      }
    }
    for (const { rest, x: dx, z: dz } of members) {
      rest.spot = [x / count + dx, rest.floor + rest.pivot.height, z / count + dz];
    }
  }
}

function chainsOf(rests: readonly Rest[], flats: readonly Flat[], level: LevelFoot): Chain[] {
  const chains: Chain[] = [];
  const found = new Map<Rest, { chain: Chain; x: number; z: number }>();
  const join = (chain: Chain, rest: Rest, x: number, z: number): void => {
    chain.members.push({ rest, x, z });
    found.set(rest, { chain, x, z });
  };
  for (const rest of rests) {
    if (!found.has(rest)) {
      const chain = { members: [] };
      chains.push(chain);
      join(chain, rest, 0, 0);
    }
    const { chain, x, z } = found.get(rest)!;
    for (const { heel, ball, heading } of flats) {
      const fromHeel = heel === rest && !found.has(ball);
      const fromBall = ball === rest && !found.has(heel);
      if (!fromHeel && !fromBall) continue;
      const s = Math.sin(heading);
      const c = Math.cos(heading);
      const [strideX, strideZ] = strideBetween(level, heel.pivot, ball.pivot);
      const dx = c * strideX + s * strideZ;
      const dz = -s * strideX + c * strideZ;
      if (fromHeel) join(chain, ball, x + dx, z + dz);
      else join(chain, heel, x - dx, z - dz);
    }
  }
  return chains;
}
