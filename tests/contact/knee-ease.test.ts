import { describe, expect, it } from 'vitest';
import { easeKnees } from '../../src/contact/knee-ease.ts';

const THIGH = 0.42;
const SHIN = 0.4;
const DEGREES = 180 / Math.PI;

/** Law of cosines: how far hip and ankle are apart when the knee is flexed by some degrees. */
const span = (degrees: number): number =>
  Math.sqrt(THIGH ** 2 + SHIN ** 2 + 2 * THIGH * SHIN * Math.cos(degrees / DEGREES));
const bend = (distance: number): number =>
  Math.acos((distance ** 2 - THIGH ** 2 - SHIN ** 2) / (2 * THIGH * SHIN)) * DEGREES;

/** A leg that hangs aslant from a hip that travels: its knee, frame by frame, in degrees, before and after easing. */
function eased(wanted: number[], performer: number[], stands: [number, number][], fps = 30): number[] {
  const hips = new Float64Array(wanted.flatMap((_, f) => [0.03 * f, 1, 0]));
  const goals = new Float64Array(
    wanted.flatMap((degrees, f) => [0.03 * f + 0.6 * span(degrees), 1 - 0.8 * span(degrees), 0]),
  );
  const extensions = Float64Array.from(performer, span);
  const spans = stands.map(([first, last]) => ({ first, last }));
  easeKnees({ thigh: THIGH, shin: SHIN, hips, extensions }, goals, spans, 1 / fps);
  return wanted.map((_, f) => bend(Math.hypot(...[0, 1, 2].map((k) => goals[f * 3 + k]! - hips[f * 3 + k]!))));
}

/** Half the largest second difference, as the proof measures pops. */
const pop = (angles: number[]): number =>
  Math.max(...angles.slice(1, -1).map((a, i) => Math.abs(angles[i]! - 2 * a + angles[i + 2]!) / 2));

describe('easeKnees', () => {
  const performer = [26, 20, 15, 10, 6, 4, 5, 7, 8, 9, 10, 12];

  it('follows the performer where nothing moves the foot', () => {
    eased(performer, performer, [[0, 2]]).forEach((angle, f) => {
      expect(angle).toBeCloseTo(performer[f]!, 6);
    });
  });

  it('takes the snap out of a knee that is locked from one frame to the next', () => {
    // Bent 22 degrees more than the performer's until the ramp of its plant ends, then not at all.
    const wanted = performer.map((angle, f) => angle + (f < 4 ? 22 : 0));
    expect(pop(wanted)).toBeGreaterThan(8);
    const angles = eased(wanted, performer, [[0, 1]]);
    expect(pop(angles)).toBeLessThan(0.5 * pop(wanted));
    expect(Math.abs(angles[11]! - performer[11]!)).toBeLessThan(2);
  });

  it('leaves contacts as their plants have them', () => {
    const wanted = performer.map((angle, f) => angle + (f % 3) * 9);
    const angles = eased(wanted, performer, [
      [0, 3],
      [8, 11],
    ]);
    for (const f of [0, 1, 2, 3, 8, 9, 10, 11]) expect(angles[f]).toBeCloseTo(wanted[f]!, 9);
    expect(angles[5]).not.toBeCloseTo(wanted[5]!, 0);
  });

  it('gives the same bend at 30 and at 120 frames a second', () => {
    const wave = (t: number): number => 30 + 12 * Math.sin(9 * t);
    const at = (fps: number): number[] => {
      const times = Array.from({ length: 2 * fps + 1 }, (_, f) => f / fps);
      return eased(
        times.map((t) => wave(t) + (t < 1 ? 10 : 0)),
        times.map(wave),
        [],
        fps,
      );
    };
    const [slow, fast] = [at(30), at(120)];
    // Degrees. The step lies between two frames, of 33 and of 8 ms: half of 25 ms at the 10 degrees a tenth of a second that it is eased to.
    slow.forEach((angle, f) => {
      expect(Math.abs(angle - fast[f * 4]!)).toBeLessThan(1.3);
    });
  });

  it('brings a foot that lies out of reach to full stretch', () => {
    const hips = new Float64Array(15);
    const goals = new Float64Array([0, -1, 0, 0, -1, 0, 0, -1, 0, 0, -1, 0, 0, -1, 0]);
    easeKnees({ thigh: THIGH, shin: SHIN, hips, extensions: new Float64Array(5).fill(0.8) }, goals, [], 1 / 30);
    for (let f = 0; f < 5; f++) expect(goals[f * 3 + 1]).toBeCloseTo(-(THIGH + SHIN), 9);
  });
});
