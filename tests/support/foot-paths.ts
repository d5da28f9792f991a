import type { FootPoints } from '../../src/contact/motion.ts';
import type { Side } from '../../src/skeleton/side.ts';
import { seeded } from './figure.ts';

type Vec = readonly [number, number, number];

/** From `start` to `end` (s) a point goes to `to` on a smooth path that is highest, by `lift`, half way. */
export interface Move {
  start: number;
  end: number;
  to: Vec;
  lift?: number;
}

/**
 * A point that holds still but for its moves: frames × 3. In between its speed is half a sine: zero at both ends, with a
 * sudden acceleration as in a push-off.
 */
export function path(fps: number, duration: number, from: Vec, moves: readonly Move[]): Float64Array {
  const frameCount = Math.round(duration * fps) + 1;
  const out = new Float64Array(frameCount * 3);
  for (let f = 0; f < frameCount; f++) {
    const t = f / fps;
    let at = from;
    for (const { start, end, to, lift = 0 } of moves) {
      if (t <= start) break;
      const u = Math.min(1, (t - start) / (end - start));
      const share = (1 - Math.cos(Math.PI * u)) / 2;
      const up = lift * Math.sin(Math.PI * u) ** 2;
      at = [at[0] + share * (to[0] - at[0]), at[1] + share * (to[1] - at[1]) + up, at[2] + share * (to[2] - at[2])];
    }
    out.set(at, f * 3);
  }
  return out;
}

export type Feet = Record<Side, FootPoints> & { fps: number };

/** Times within a cycle of 1.1 s, from heel strike on. Stance 60 %: Perry & Burnfield, Gait Analysis (handbook value). */
export const WALK = { cycle: 1.1, flat: 0.12, heelOff: 0.4, toeOff: 0.66, stride: 1.3, cycles: 5 };

/** s. Ends between two events. */
export const WALK_DURATION = 5.3;

/**
 * A walk along +Z; the right foot is half a cycle behind. Truth: WALK. The ground rises by `slope` a metre, or by `rise`
 * (m) from each footfall to the next, or has the height `tread(n)` under footfall n, with a level tread under each foot.
 */
export function walk(
  fps: number,
  { slope = 0, rise = 0, tread = (n: number) => rise * n } = {},
): Feet & { duration: number } {
  const { cycle, flat, heelOff, toeOff, stride, cycles } = WALK;
  const duration = WALK_DURATION;
  const foot = (x: number, phase: number): FootPoints => {
    const point = (ahead: number, off: number, on: number, lift: number): Float64Array => {
      // Where the point stands at its footfall `i`.
      const stand = (i: number): Vec => {
        const heel = (i + phase) * stride;
        return [x, slope * (heel + ahead) + tread(2 * (i + phase)), heel + ahead];
      };
      const moves: Move[] = [];
      for (let i = -1; i <= cycles; i++) {
        moves.push({ start: (i + phase) * cycle + off, end: (i + 1 + phase) * cycle + on, to: stand(i + 1), lift });
      }
      return path(fps, duration, stand(-1), moves);
    };
    return { heel: point(0, heelOff, 0, 0.2), ball: point(0.18, toeOff, flat, 0.08) };
  };
  return { left: foot(0.1, 0), right: foot(-0.1, 0.5), fps, duration };
}

/** When the heel and the ball of one foot of `walk` stand, within the clip. */
export function walkTruth(side: Side): { heel: [number, number][]; ball: [number, number][] } {
  const { cycle, flat, heelOff, toeOff, cycles } = WALK;
  const phase = side === 'left' ? 0 : 0.5;
  const spans = (on: number, off: number): [number, number][] => {
    const out: [number, number][] = [];
    for (let i = -1; i <= cycles; i++) {
      const start = Math.max(0, (i + phase) * cycle + on);
      const end = Math.min(WALK_DURATION, (i + phase) * cycle + off);
      if (end > start) out.push([start, end]);
    }
    return out;
  };
  return { heel: spans(0, heelOff), ball: spans(flat, toeOff) };
}

/** A foot that stands still. */
export function standing(fps: number, duration: number, x: number, y = 0, z = 0): FootPoints {
  return { heel: path(fps, duration, [x, y, z], []), ball: path(fps, duration, [x, y, z + 0.18], []) };
}

/** The same with white noise of standard deviation `sigma` (m) on every coordinate. */
export function noisy(feet: Feet, sigma: number, seed = 1): Feet {
  const random = seeded(seed);
  const gauss = () => Math.sqrt(-2 * Math.log(1 - random())) * Math.cos(2 * Math.PI * random());
  return mapPoints(feet, (v) => v + sigma * gauss());
}

export function mapPoints(feet: Feet, change: (value: number, f: number, k: number) => number): Feet {
  const points = (foot: FootPoints): FootPoints => ({
    heel: foot.heel.map((v, i) => change(v, Math.floor(i / 3), i % 3)),
    ball: foot.ball.map((v, i) => change(v, Math.floor(i / 3), i % 3)),
  });
  return { ...feet, left: points(feet.left), right: points(feet.right) };
}
