import { existsSync, readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { createContactDetector } from '../../src/contact/live.ts';
import { RigproofError } from '../../src/errors.ts';
import type { ContactInterval } from '../../src/skeleton/contact-interval.ts';
import { SIDES, type Side } from '../../src/skeleton/side.ts';
import { type Feet, mapPoints, standing, walk, walkTruth } from '../support/foot-paths.ts';
import { readTrc } from '../support/trc.ts';

const LEG = 0.9; // m
/** s. Two frames of 60 Hz: the mark of Zeni et al. 2008, Gait & Posture 27:710–714, for looking back at a whole trial. */
const TWO_FRAMES = 0.0334;

/** Feeds the frames one by one; contact intervals of left heel, left ball, right heel, right ball, latency taken off. */
function run(feet: Feet, groundVelocity?: [number, number, number]): { points: ContactInterval[][]; latency: number } {
  const detector = createContactDetector({ fps: feet.fps, legLength: LEG, ...(groundVelocity && { groundVelocity }) });
  const tracks = [feet.left.heel, feet.left.ball, feet.right.heel, feet.right.ball];
  const frame = new Float64Array(12);
  const points: ContactInterval[][] = [[], [], [], []];
  const frameCount = feet.left.heel.length / 3;
  for (let f = 0; f < frameCount; f++) {
    tracks.forEach((track, p) => {
      frame.set(track.subarray(f * 3, f * 3 + 3), p * 3);
    });
    const flags = detector.push(frame);
    for (let p = 0; p < 4; p++) {
      const last = points[p]![points[p]!.length - 1];
      const t = Math.max(0, f / feet.fps - detector.latency);
      if (flags[p] === 0) continue;
      if (last && f / feet.fps - detector.latency - last.end < 1.5 / feet.fps) last.end = t;
      else points[p]!.push({ start: t, end: t, confidence: 1 });
    }
  }
  return { points, latency: detector.latency };
}

describe('createContactDetector', () => {
  it.each([30, 60, 120, 240])(
    'finds heel and ball of a walk at %i frames a second, after its stated latency',
    (fps) => {
      const { points, latency } = run(walk(fps));
      expect(latency).toBeLessThanOrEqual(Math.max(1 / fps, 0.034));
      SIDES.forEach((side, s) => {
        for (const [p, truth] of [
          [s * 2, walkTruth(side).heel],
          [s * 2 + 1, walkTruth(side).ball],
        ] as const) {
          const found = points[p]!.filter(({ end }) => end > 1.2);
          const wanted = truth.filter(([, end]) => end > 1.2);
          expect(found.length, JSON.stringify(found)).toBe(wanted.length);
          found.forEach(({ start, end }, i) => {
            // The test paths pass the threshold 40 ms from where they rest; the first stance is still being learnt.
            expect(Math.abs(start - wanted[i]![0])).toBeLessThan(0.07);
            if (wanted[i]![1] < 5.2) expect(Math.abs(end - wanted[i]![1])).toBeLessThan(0.07);
          });
        }
      });
    },
  );

  it('keeps standing feet in contact in every frame', () => {
    const { points } = run({ fps: 60, left: standing(60, 3, 0.1), right: standing(60, 3, -0.1) });
    for (const contacts of points) {
      expect(contacts).toHaveLength(1);
      expect(contacts[0]!.start).toBe(0);
      expect(contacts[0]!.end).toBeGreaterThan(2.9);
    }
  });

  it('has no contact in the air of a jump', () => {
    const fps = 120;
    const fly = (t: number) => (t > 1 && t < 1.6 ? 0.5 * 9.81 * (t - 1) * (1.6 - t) : 0);
    const feet = mapPoints({ fps, left: standing(fps, 3, 0.1), right: standing(fps, 3, -0.1) }, (v, f, k) =>
      k === 1 ? v + fly(f / fps) : v,
    );
    for (const contacts of run(feet).points) {
      expect(contacts).toHaveLength(2);
      expect(contacts[0]!.end).toBeLessThan(1.05);
      expect(contacts[1]!.start).toBeGreaterThan(1.55);
    }
  });

  it('says what is wrong with its input', () => {
    for (const [input, code] of [
      [{ fps: Number.NaN, legLength: 1 }, 'CONTACT_FRAME_RATE'],
      [{ fps: 60, legLength: 0 }, 'CONTACT_LEG_LENGTH'],
    ] as const) {
      expect(() => createContactDetector(input)).toThrow(expect.objectContaining({ code }));
      expect(() => createContactDetector(input)).toThrow(RigproofError);
    }
  });
});

const FOLDER = new URL('../../../shared/data/gait/', import.meta.url);

describe.skipIf(!existsSync(FOLDER))('the live detector on force plates (needs ../shared/data/gait)', () => {
  it('finds every event after the first half second within two frames of 60 Hz beside its latency', () => {
    const { fps, markers } = readTrc(readFileSync(new URL('subject01_walk.trc', FOLDER), 'utf8'));
    const truth: { contacts: Record<Side, [number, number][]> } = JSON.parse(
      readFileSync(new URL('contacts.json', FOLDER), 'utf8'),
    );
    const foot = (letter: string) => ({
      heel: markers.get(`${letter}.Heel`)!,
      ball: markers.get(`${letter}.Toe.Tip`)!,
    });
    const { points } = run({ fps, left: foot('L'), right: foot('R') }, [-1.139, 0, 0]);
    // A flag that differs between two frames is taken to have changed half way.
    const errors: number[] = [];
    SIDES.forEach((side, s) => {
      for (const [start, end] of truth.contacts[side]) {
        const nearest = (times: number[], t: number) => Math.min(...times.map((time) => Math.abs(time - t)));
        if (start > 0.5 && start < 2.4)
          errors.push(
            nearest(
              points[s * 2]!.map((c) => c.start - 0.5 / fps),
              start,
            ),
          );
        if (end > 0.5 && end < 2.4)
          errors.push(
            nearest(
              points[s * 2 + 1]!.map((c) => c.end + 0.5 / fps),
              end,
            ),
          );
      }
    });
    process.stdout.write(
      `live on force plates: ${errors.length} events, worst ${(Math.max(...errors) * 1000).toFixed(0)} ms\n`,
    );
    expect(errors).toHaveLength(6);
    expect(Math.max(...errors)).toBeLessThan(TWO_FRAMES);
  });
});
