import type { FootContacts } from '../skeleton/contact-interval.ts';
import { SIDES, type Side } from '../skeleton/side.ts';

/** Frames (first and last, both included) in which a point of a foot stands. */
export type Span = [number, number];
export type FootSpans = Record<Side, { heel: Span[]; ball: Span[]; foot: Span[] }>;

/** Seconds to frames: those that lie within the interval. */
export function toSpans(contacts: FootContacts | null, dt: number, shift: number, frameCount: number): FootSpans {
  const spans: FootSpans = { left: { heel: [], ball: [], foot: [] }, right: { heel: [], ball: [], foot: [] } };
  if (!contacts || frameCount === 0 || !(dt > 0)) return spans;
  for (const side of SIDES)
    for (const point of ['heel', 'ball', 'foot'] as const)
      for (const { start, end } of contacts[side][point]) {
        const first = Math.max(0, Math.ceil((start + shift) / dt - 1e-3));
        const last = Math.min(frameCount - 1, Math.floor((end + shift) / dt + 1e-3));
        if (last > first) spans[side][point].push([first, last]);
      }
  return spans;
}

/** Frames within any of the spans, as flags. */
export function flagsOf(spans: readonly Span[], frameCount: number): Uint8Array {
  const flags = new Uint8Array(frameCount);
  for (const [first, last] of spans) flags.fill(1, first, last + 1);
  return flags;
}
