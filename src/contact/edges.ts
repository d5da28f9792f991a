import type { ContactInterval } from '../skeleton/contact-interval.ts';
import { quantile } from './motion.ts';
import { withoutTurns } from './standing-turns.ts';
import { type Core, SINK_MAX, type Track } from './track.ts';

/** A gap in which a point moves no further than this (leg lengths) is no swing phase. */
const STAY_RADIUS = 0.015;
/** The peak of a swing phase lasts; a spike of one frame, over the span of a speed, does not. */
const PEAK_DURATION = 0.07; // s

/** Contacts of one point: its cores with exact edges, closed gaps and without what is too short. */
export function contactsOf(
  track: Track,
  p: number,
  found: readonly Core[],
  raised: Uint8Array | null,
): ContactInterval[] {
  const cores = withoutGaps(track, found);
  const { fps, settings } = track;
  const speed = track.speeds[p]!;
  const height = track.heights[p]!;
  const end = speed.length - 1;
  const edges: { first: number; last: number; core: Core }[] = [];
  const typicalPeak = typicalSwingPeak(track, p, cores);
  for (let i = 0; i < cores.length; i++) {
    const core = cores[i]!;
    const before = i > 0 ? cores[i - 1]!.last : 0;
    const after = i + 1 < cores.length ? cores[i + 1]!.first : end;
    // A swing phase that the clip cuts short does not show its peak.
    const peakBefore = Math.max(peakOf(track, p, before, core.first), i > 0 ? 0 : typicalPeak);
    const peakAfter = Math.max(peakOf(track, p, core.last, after), i + 1 < cores.length ? 0 : typicalPeak);
    const strike = edgeSpeed(track, peakBefore, settings.strikeShare, settings.strikeSpeedMax);
    const release = edgeSpeed(track, peakAfter, settings.releaseShare, settings.releaseSpeedMax);
    const top = core.top + track.floor.tolerance;
    const first = trimmed(speed, core, core.first, 1, strike);
    const last = trimmed(speed, core, core.last, -1, release);
    edges.push({
      first: core.first === 0 ? 0 : edgeFrom(speed, height, raised, first, -1, Math.min(before, first), strike, top),
      last: core.last === end ? end : edgeFrom(speed, height, raised, last, 1, Math.max(after, last), release, top),
      core,
    });
  }
  addCutContacts(track, p, typicalPeak, edges);
  const merged: typeof edges = [];
  for (const edge of edges) {
    const previous = merged[merged.length - 1];
    const isOne =
      previous &&
      Math.abs(previous.core.level - edge.core.level) < 2 * track.floor.tolerance &&
      (edge.first - previous.last < settings.swingMin * fps || staysPut(track, p, raised, previous.last, edge.first));
    if (isOne) {
      previous.last = Math.max(previous.last, edge.last);
      previous.core = { ...previous.core, last: edge.core.last, top: Math.max(previous.core.top, edge.core.top) };
    } else merged.push(edge);
  }
  return merged
    .flatMap(({ first, last, core }) => withoutTurns(track, p, { first, last }).map((part) => ({ ...part, core })))
    .filter(({ first, last }) => {
      const cut = first <= 0 || last >= end;
      return last - first >= (cut ? Math.min(end, 1) : settings.stanceMin * fps);
    })
    .map(({ first, last, core }) => ({
      start: Math.max(0, first) / fps,
      end: Math.min(end, last) / fps,
      confidence: confidenceOf(track, p, core, first, last),
    }));
}

/**
 * Cores of one height with less than a swing phase between them are one. (Their edges would be judged by the peak speed in
 * that gap, which is no swing: a heel that came to rest in two steps was found 150 ms late.)
 */
function withoutGaps({ floor, settings, fps }: Track, cores: readonly Core[]): Core[] {
  const out: Core[] = [];
  for (const core of cores) {
    const before = out[out.length - 1];
    const isOne =
      before &&
      core.first - before.last < settings.swingMin * fps &&
      Math.abs(core.level - before.level) < 2 * floor.tolerance;
    if (isOne) {
      const own = before.last - before.first + 1;
      const its = core.last - core.first + 1;
      before.level = (before.level * own + core.level * its) / (own + its);
      before.top = Math.max(before.top, core.top);
      before.last = core.last;
    } else out.push({ ...core });
  }
  return out;
}

/** The median peak of the swing phases between the cores of a point; the fast speed of the clip where there is none. */
function typicalSwingPeak(track: Track, p: number, cores: Core[]): number {
  if (cores.length < 2) return track.fast;
  const peaks = new Float64Array(cores.length - 1);
  for (let i = 1; i < cores.length; i++) peaks[i - 1] = peakOf(track, p, cores[i - 1]!.last, cores[i]!.first);
  return quantile(peaks, peaks.length, 0.5);
}

/**
 * A contact that the clip cuts so short that it never gets still: its heel strike just before the last frame, or its
 * toe off just after the first. There the point is low, slower than at an edge, and slowing down or speeding up.
 */
function addCutContacts(
  track: Track,
  p: number,
  peak: number,
  edges: { first: number; last: number; core: Core }[],
): void {
  const { floor, settings } = track;
  const speed = track.speeds[p]!;
  const height = track.heights[p]!;
  const end = speed.length - 1;
  if (end < 2 || peak < 2 * track.still) return;
  const low = (f: number) => height[f]! < floor.tolerance && height[f]! > -SINK_MAX * floor.tolerance;
  const strike = edgeSpeed(track, peak, settings.strikeShare, settings.strikeSpeedMax);
  const newest = edges[edges.length - 1];
  if (low(end) && speed[end]! < strike && speed[end - 2]! > speed[end]! && (!newest || newest.last < end - 2)) {
    const first = edgeFrom(speed, height, null, end, -1, newest ? Math.ceil(newest.last) : 0, strike, floor.tolerance);
    edges.push({ first, last: end, core: { first: end, last: end, level: 0, top: 0 } });
  }
  const release = edgeSpeed(track, peak, settings.releaseShare, settings.releaseSpeedMax);
  const oldest = edges[0];
  if (low(0) && speed[0]! < release && speed[2]! > speed[0]! && (!oldest || oldest.first > 2)) {
    const last = edgeFrom(speed, height, null, 0, 1, oldest ? Math.floor(oldest.first) : end, release, floor.tolerance);
    edges.unshift({ first: 0, last, core: { first: 0, last: 0, level: 0, top: 0 } });
  }
}

/** Whether a point is never further from where it was than a foot that shifts its weight. */
function staysPut(track: Track, p: number, raised: Uint8Array | null, from: number, to: number): boolean {
  const point = track.points[p]!;
  const { fps, groundVelocity } = track;
  const first = Math.floor(from);
  const reach = STAY_RADIUS * track.legLength;
  const [gx, gy, gz] = groundVelocity;
  for (let f = first + 1; f <= to; f++) {
    if (raised?.[f]) return false;
    const t = (f - first) / fps;
    const x = point[f * 3]! - point[first * 3]! - gx * t;
    const y = point[f * 3 + 1]! - point[first * 3 + 1]! - gy * t;
    const z = point[f * 3 + 2]! - point[first * 3 + 2]! - gz * t;
    if (x * x + y * y + z * z > reach * reach) return false;
  }
  return true;
}

/** The highest speed that a point has twice, `PEAK_DURATION` apart, between two frames. */
function peakOf(track: Track, p: number, from: number, to: number): number {
  const speed = track.speeds[p]!;
  const apart = Math.max(1, Math.round(PEAK_DURATION * track.fps));
  let peak = 0;
  for (let f = from; f + apart <= to; f++) peak = Math.max(peak, Math.min(speed[f]!, speed[f + apart]!));
  return peak;
}

function edgeSpeed(track: Track, peak: number, share: number, most: number): number {
  const least = Math.max(0.6 * track.settings.stillSpeedMin * track.legLength, 3 * track.noise);
  return Math.max(least, Math.min(most * track.legLength, share * peak));
}

/** The frame nearest to an end of a core, going inwards, at which the point is no faster than the limit. */
function trimmed(speed: Float64Array, core: Core, from: number, inwards: 1 | -1, limit: number): number {
  let f = from;
  while (speed[f]! > limit && f + inwards >= core.first && f + inwards <= core.last) f += inwards;
  return speed[f]! > limit ? from : f;
}

/**
 * Walks outwards from a frame in contact until the point is faster than `limit`, higher than `top` or up, and returns where
 * between two frames that happens.
 */
function edgeFrom(
  speed: Float64Array,
  height: Float64Array,
  raised: Uint8Array | null,
  from: number,
  direction: 1 | -1,
  until: number,
  limit: number,
  top: number,
): number {
  let f = from;
  while (f !== until) {
    const next = f + direction;
    if (raised?.[next]) return f + 0.5 * direction;
    const fast = speed[next]! > limit;
    const high = height[next]! > top;
    if (fast || high) {
      let t = 1;
      if (fast && speed[next]! > speed[f]!) t = Math.min(t, (limit - speed[f]!) / (speed[next]! - speed[f]!));
      if (high && height[next]! > height[f]!) t = Math.min(t, (top - height[f]!) / (height[next]! - height[f]!));
      return f + direction * Math.max(0, t);
    }
    f = next;
  }
  return f;
}

/** 1 − the mean of speed and height over their thresholds, each at most 1. */
function confidenceOf(track: Track, p: number, core: Core, first: number, last: number): number {
  const speed = track.speeds[p]!;
  const height = track.heights[p]!;
  let sum = 0;
  let count = 0;
  for (let f = Math.max(0, Math.ceil(first)); f <= Math.min(speed.length - 1, last); f++, count++) {
    const fast = Math.min(1, speed[f]! / (2 * track.still));
    const high = Math.min(1, Math.abs(height[f]! - core.level) / (2 * track.floor.tolerance));
    sum += (1 - fast) * (1 - high);
  }
  return count === 0 ? 0 : sum / count;
}
