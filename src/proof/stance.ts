import type { ContactInterval, FootContacts } from '../skeleton/contact-interval.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { heightsOf } from './joint-paths.ts';
import type { FootPoints } from './measure.ts';
import { quantile } from './statistics.ts';
import { pathOf, type Track } from './track.ts';

/** A point stands while it is lower than this over its own low level, and slower than this (shares of leg length). */
const LOW = 0.03;
const SLOW = 0.12;
/** Shorter contacts are chance; gaps shorter than this are noise. Seconds. */
const SHORTEST = 0.1;
const GAP = 0.04;
/** Cut off at both ends: a foot that lands or leaves moves, and need not stand yet. */
const EDGE = 0.04;

/**
 * A small search for standing points, for clips that come without known contacts: low and slow. It finds less than a
 * full detection (a foot that slides faster than 12 % of a leg length a second counts as swinging).
 * @param low   how high over its own low level a point may be, share of leg length
 * @param slow  how fast, leg lengths a second
 */
export function findStance(
  track: Track,
  feet: Record<Side, FootPoints | null>,
  groundVelocity: readonly [number, number, number],
  low = LOW,
  slow = SLOW,
): FootContacts {
  const contacts = { left: emptyFoot(), right: emptyFoot() };
  for (const side of SIDES) {
    const points = feet[side];
    if (points === null) continue;
    const heel = standing(track, pathOf(track, points.heel), groundVelocity, low, slow);
    const ball = standing(track, pathOf(track, points.ball), groundVelocity, low, slow);
    const either = heel.map((h, f) => h | ball[f]!);
    contacts[side] = {
      heel: intervals(heel, track.frameDuration),
      ball: intervals(ball, track.frameDuration),
      foot: intervals(either, track.frameDuration),
    };
  }
  return contacts;
}

function emptyFoot(): FootContacts[Side] {
  return { heel: [], ball: [], foot: [] };
}

function standing(
  track: Track,
  path: Float64Array,
  ground: readonly [number, number, number],
  low: number,
  slow: number,
): Uint8Array {
  const { frameCount, frameDuration: dt, legLength } = track;
  const limit = quantile(heightsOf(path), 0.05) + low * legLength;
  const result = new Uint8Array(frameCount);
  flagStanding(result, path, limit, slow * legLength, dt, Float64Array.from(ground));
  return result;
}

function flagStanding(
  flags: Uint8Array,
  path: Float64Array,
  low: number,
  slow: number,
  dt: number,
  ground: Float64Array,
): void {
  for (let f = 0; f < flags.length; f++) {
    if (path[f * 3 + 1]! >= low) continue;
    const a = Math.max(0, f - 1);
    const b = Math.min(flags.length - 1, f + 1);
    const t = (b - a) * dt || 1;
    const x = (path[b * 3]! - path[a * 3]!) / t - ground[0]!;
    const y = (path[b * 3 + 1]! - path[a * 3 + 1]!) / t - ground[1]!;
    const z = (path[b * 3 + 2]! - path[a * 3 + 2]!) / t - ground[2]!;
    if (x * x + y * y + z * z < slow * slow) flags[f] = 1;
  }
}

function intervals(flags: Uint8Array, dt: number): ContactInterval[] {
  const found: ContactInterval[] = [];
  let first = -1;
  let last = -1;
  const close = () => {
    const start = first * dt + EDGE;
    const end = last * dt - EDGE;
    if (first >= 0 && end - start >= SHORTEST) found.push({ start, end, confidence: 0.5 });
  };
  for (let f = 0; f < flags.length; f++) {
    if (!flags[f]) continue;
    if (last >= 0 && (f - last - 1) * dt <= GAP) last = f;
    else {
      close();
      first = f;
      last = f;
    }
  }
  close();
  return found;
}
