/** A foot that turns where it stands: which of heel and ball keeps its place. */
import { distanceVec } from '../math/vec.ts';
import type { FrameSpan } from './hold.ts';
import type { Track } from './track.ts';

/** A foot that turns by less (rad, 10 degrees) is not set anew: one heading does for it. */
const TURN_MIN = (10 * Math.PI) / 180;
/**
 * A point that is slower (leg lengths a second) is seen to stand, and is held (common practice, no source). With 0.1 feet that
 * came to rest slowly crept by up to 0.9 % of the leg; with 0.2 headings are 2 degrees farther off.
 */
const STANDING = 0.15;
/** A foot that slopes so much that less than this share of it is seen from above has no heading. */
const LEVEL_MIN = 0.5;

/**
 * The parts of a contact of point `p` in which it keeps its place while the foot turns. Who changes stance turns on heel or
 * ball, and the other end goes over the floor to another place. In a clip of kicks that is slow enough to be still, and a foot
 * that is held all through heads for the mean of its headings, up to 50 degrees from any. The end that moves less is the pivot
 * and stays in contact. A foot that slides with one heading stays as well: that is the fault of a capture, which plants mend.
 *
 * @param contact  edges may lie between frames; so may those of the parts
 */
export function withoutTurns(track: Track, p: number, contact: FrameSpan): FrameSpan[] {
  const point = track.points[p]!;
  const partner = track.points[p ^ 1]!;
  let open = contact.first;
  const parts: FrameSpan[] = [];
  for (const { first, last } of movesOf(track, p, contact)) {
    if (turnBetween(point, partner, first, last) < TURN_MIN) continue;
    parts.push({ first: open, last: first });
    open = last;
  }
  parts.push({ first: open, last: contact.last });
  return parts;
}

/**
 * Stretches of a contact in which its point moves, and moves more than the other end of the foot. Rests between them that are
 * shorter than a stance do not count.
 */
function movesOf({ speeds, settings, legLength, noise, fps }: Track, p: number, contact: FrameSpan): FrameSpan[] {
  const speed = speeds[p]!;
  const partner = speeds[p ^ 1]!;
  const standing = Math.max(STANDING * legLength, 3 * noise);
  const shortest = settings.stanceMin * fps;
  const moves: FrameSpan[] = [];
  for (let f = Math.ceil(contact.first); f <= contact.last; f++) {
    if (speed[f]! < standing || speed[f]! < partner[f]!) continue;
    const before = moves[moves.length - 1];
    if (before && f - before.last <= shortest) before.last = f;
    else moves.push({ first: f, last: f });
  }
  return moves;
}

/** By how much the line between two points turns about +Y from one frame to another, radians; 0 where it is steep. */
function turnBetween(a: Float64Array, b: Float64Array, first: number, last: number): number {
  const i = first * 3;
  const j = last * 3;
  const x = b[i]! - a[i]!;
  const z = b[i + 2]! - a[i + 2]!;
  const u = b[j]! - a[j]!;
  const w = b[j + 2]! - a[j + 2]!;
  const seen = Math.min(Math.hypot(x, z) / distanceVec(a, i, b, i), Math.hypot(u, w) / distanceVec(a, j, b, j));
  return seen > LEVEL_MIN ? Math.abs(Math.atan2(z * u - x * w, x * u + z * w)) : 0;
}
