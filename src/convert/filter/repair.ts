import { type Clip, clipWith } from '../../skeleton/clip.ts';
import { jointRotations, turnBetween, turnedBy } from './rotation-log.ts';

export interface RepairOptions {
  /** Seconds taken away on both sides of a fault: the frames next to it are bent by it too. */
  margin: number;
  /** Faults nearer to each other than this are one. Seconds. */
  join: number;
  /** A longer stretch is not made up. Seconds. */
  longest: number;
}

export const REPAIR_DEFAULTS: Readonly<RepairOptions> = { margin: 0.03, join: 0.1, longest: 0.5 };

/** A stretch of frames, both included. */
export interface FaultyFrames {
  first: number;
  last: number;
}

export interface RepairedClip {
  clip: Clip;
  repaired: FaultyFrames[];
  /** Too long to be made up, or reaching to an end of the clip. */
  left: FaultyFrames[];
}

/**
 * Frames without a pose: a value that is no number, or, in a motion that goes on around them, the very same pose again
 * and again (a dropped signal; no living performer holds every joint to the last digit).
 */
export function findGaps(clip: Clip, shortest = 3): FaultyFrames[] {
  const { frameCount, jointCount, rotations, translations, translationJoints } = clip;
  const row = translationJoints.length * 3;
  const gaps: FaultyFrames[] = [];
  const isBroken = (f: number): boolean => {
    for (let i = f * jointCount * 4; i < (f + 1) * jointCount * 4; i++)
      if (!Number.isFinite(rotations[i]!)) return true;
    for (let i = f * row; i < (f + 1) * row; i++) if (!Number.isFinite(translations[i]!)) return true;
    return false;
  };
  const isSame = (f: number): boolean => {
    for (let i = 0, at = f * jointCount * 4; i < jointCount * 4; i++, at++) {
      if (rotations[at] !== rotations[at - jointCount * 4]) return false;
    }
    for (let i = 0, at = f * row; i < row; i++, at++) if (translations[at] !== translations[at - row]) return false;
    return true;
  };
  for (let f = 0; f < frameCount; f++) {
    const first = f;
    if (isBroken(f)) {
      while (f + 1 < frameCount && isBroken(f + 1)) f++;
      gaps.push({ first, last: f });
    } else if (f > 0 && isSame(f)) {
      while (f + 1 < frameCount && isSame(f + 1)) f++;
      if (f - first + 1 >= shortest && first > 1 && f < frameCount - 1) gaps.push({ first, last: f });
    }
  }
  return gaps;
}

/**
 * Replaces faulty frames by a curve from the last good frame to the next, which leaves and arrives with the speed that
 * the motion has there: cubic (Hermite) on rotation vectors and translations.
 *
 * @param faults  capture jumps, as `readMotionFrame` finds them, or gaps
 * Touches nothing; the very same clip comes back where nothing is repaired.
 */
export function repairClip(
  clip: Clip,
  faults: readonly FaultyFrames[],
  options: Partial<RepairOptions> = {},
): RepairedClip {
  const { margin, join, longest } = { ...REPAIR_DEFAULTS, ...options };
  const frames = (seconds: number): number => Math.round(seconds / clip.frameDuration);
  const spans: FaultyFrames[] = [];
  for (const { first, last } of [...faults].sort((a, b) => a.first - b.first)) {
    const before = spans[spans.length - 1];
    if (before && first - before.last <= frames(join)) before.last = Math.max(before.last, last);
    else spans.push({ first, last });
  }
  const repaired: FaultyFrames[] = [];
  const left: FaultyFrames[] = [];
  for (const { first, last } of spans) {
    const wide = { first: first - frames(margin), last: last + frames(margin) };
    // Two good frames on either side tell the speed.
    const isWithin = wide.first >= 2 && wide.last <= clip.frameCount - 3;
    if (isWithin && wide.last - wide.first + 1 <= Math.max(frames(longest), 3)) repaired.push(wide);
    else left.push({ first, last });
  }
  if (repaired.length === 0) return { clip, repaired, left };
  const rotations = clip.rotations.slice();
  const translations = clip.translations.slice();
  const row = clip.translationJoints.length * 3;
  for (let j = 0; j < clip.jointCount; j++) {
    const own = jointRotations(clip, j);
    for (const span of repaired) bridgeRotations(own, span, (f, q) => rotations.set(q, (f * clip.jointCount + j) * 4));
  }
  for (const { first, last } of repaired) {
    const length = last - first + 2;
    for (let i = 0; i < row; i++) {
      const at = (f: number): number => clip.translations[f * row + i]!;
      const [from, to] = [at(first - 1), at(last + 1)];
      const leave = (from - at(first - 2)) * length;
      const arrive = (at(last + 2) - to) * length;
      for (let f = first; f <= last; f++) {
        translations[f * row + i] = from + hermite((f - first + 1) / length, to - from, leave, arrive);
      }
    }
  }
  return { clip: clipWith(clip, { rotations, translations }), repaired, left };
}

/** Cubic from 0 to `end` with the slopes given. */
function hermite(u: number, end: number, leave: number, arrive: number): number {
  const v = 1 - u;
  return u * u * (3 - 2 * u) * end + u * v * v * leave - u * u * v * arrive;
}

function bridgeRotations(
  own: Float64Array,
  { first, last }: FaultyFrames,
  write: (f: number, q: Float64Array) => void,
): void {
  const length = last - first + 2;
  const end = new Float64Array(3);
  const leave = new Float64Array(3);
  const arrive = new Float64Array(3);
  const turn = new Float64Array(3);
  const q = new Float64Array(4);
  const from = (first - 1) * 4;
  const to = (last + 1) * 4;
  turnBetween(end, own, from, own, to);
  turnBetween(leave, own, from - 4, own, from);
  turnBetween(arrive, own, to, own, to + 4);
  for (let f = first; f <= last; f++) {
    const u = (f - first + 1) / length;
    for (let k = 0; k < 3; k++) turn[k] = hermite(u, end[k]!, leave[k]! * length, arrive[k]! * length);
    turnedBy(q, 0, own, from, turn);
    write(f, q);
  }
}
