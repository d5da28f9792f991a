import { describe, expect, it } from 'vitest';
import { cornerSpans } from '../../src/contact/knee-corners.ts';
import { packLegs } from '../../src/contact/leg-terms.ts';
import { shiftPelvis } from '../../src/contact/pelvis-shift.ts';
import type { ReachLeg } from '../../src/contact/reach-leg.ts';

const LENGTH = 0.8;
const COUNT = 90;
const MIDDLE = COUNT / 2;

/** Legs that stand at 99 % of their length, on the spot, with hips that go up and down by `height(frame, side)`. */
function standing(height: (f: number, side: 1 | -1) => number): ReachLeg[] {
  return ([1, -1] as const).map((side) => {
    const filled = (value: number) => new Float64Array(COUNT).fill(value);
    const places = (y: (f: number) => number) =>
      Float64Array.from({ length: COUNT * 3 }, (_, i) => [side * 0.3, y(Math.floor(i / 3)), 0][i % 3]!);
    return {
      hips: places((f) => 0.99 * LENGTH + height(f, side)),
      goals: places(() => 0),
      offsets: new Float64Array(COUNT * 3),
      extensions: filled(0.99 * LENGTH),
      reaches: filled(0.995 * LENGTH),
      nearest: filled(0.2),
      held: filled(1),
      length: LENGTH,
    };
  });
}

/** One hip comes down by twice the height within some frames, the other goes up: the pelvis of a broad figure tips. */
function tipping(height: number, frames: number): ReachLeg[] {
  return standing((f, side) => {
    const u = Math.max(-1, Math.min(1, ((f - MIDDLE) * 2) / frames));
    return side * height * u * (1.5 - 0.5 * u * u);
  });
}

function shiftOf(legs: readonly ReachLeg[], fps: number): Float64Array {
  const shifts = new Float64Array(COUNT * 3);
  shiftPelvis(legs, COUNT, 1 / fps, 1, shifts);
  return shifts;
}

/** Flexion of a knee between segments of one length, degrees: by the law of cosines. */
function knees({ hips, goals }: ReachLeg, shifts: Float64Array): number[] {
  return Array.from({ length: COUNT }, (_, f) => {
    const distance = Math.hypot(...[0, 1, 2].map((k) => goals[f * 3 + k]! - hips[f * 3 + k]! - shifts[f * 3 + k]!));
    return (360 / Math.PI) * Math.acos(Math.min(1, distance / LENGTH));
  });
}

/** Half the largest second difference from some frame to another, as the proof measures pops. */
function jump(values: readonly number[], first = 1, last = values.length - 2): number {
  let most = 0;
  for (let f = first; f <= last; f++)
    most = Math.max(most, Math.abs(values[f - 1]! - 2 * values[f]! + values[f + 1]!) / 2);
  return most;
}

describe('corners in the bend of a knee', () => {
  it.each([
    // Metres, frames, degrees. 6.3 and 9.3 where first differences of the bend cost in place of second, 6.5 and 9.0 where neither do.
    [0.08, 6, 5],
    [0.03, 3, 7],
  ])(
    'are rounded where a pelvis that tips by %f m lets one leg go and stretches the other in %i frames',
    (height, frames, most) => {
      const legs = tipping(height, frames);
      const shifts = shiftOf(legs, 30);
      for (const leg of legs) expect(jump(knees(leg, shifts))).toBeLessThan(most);
    },
  );

  it('leave both feet within reach', () => {
    const legs = tipping(0.08, 6);
    const shifts = shiftOf(legs, 30);
    // 11.46 degrees: 2 · acos 0.995.
    for (const leg of legs) expect(Math.min(...knees(leg, shifts))).toBeGreaterThan(11.4);
  });

  it('make no jump where the stretch that is shifted anew begins or ends', () => {
    // Both feet are moved to and fro, once a second; the stretch lies somewhere in that.
    const legs = tipping(0.08, 6);
    for (const { goals, offsets } of legs) {
      for (let f = 0; f < COUNT; f++) {
        offsets[f * 3 + 2] = 0.05 * Math.sin((2 * Math.PI * f) / 30);
        goals[f * 3 + 2] = offsets[f * 3 + 2]!;
      }
    }
    const shifts = shiftOf(legs, 30);
    const along = Array.from({ length: COUNT }, (_, f) => shifts[f * 3 + 2]!);
    // The wave's own: 0.05 m · (2π / 30)² / 2 = 1.1 mm.
    expect(jump(along)).toBeLessThan(1.3e-3);
  });

  it('of a hip that jumps as no person does are left to the capture: the pelvis hardly moves for them', () => {
    const legs = standing((f, side) => (f === MIDDLE && side === 1 ? -0.2 : 0));
    const shifts = shiftOf(legs, 120);
    for (let f = 0; f < COUNT; f++)
      if (f !== MIDDLE) expect(Math.hypot(...shifts.subarray(f * 3, f * 3 + 3))).toBeLessThan(0.02 * LENGTH);
  });
});

describe('cornerSpans', () => {
  const none = new Float64Array(COUNT * 3);
  // In frames of a second no pace is a fault.
  const spansOf = (legs: ReachLeg[], around: number) => cornerSpans(packLegs(legs, [], COUNT), none, none, around, 1);

  it('finds none in knees that keep their pace', () => {
    expect(
      spansOf(
        standing((f) => -0.001 * f),
        3,
      ),
    ).toEqual([]);
  });

  it('joins those that overlap and ends with the clip', () => {
    const bentAt = (...frames: number[]) => standing((f, side) => (side === 1 && frames.includes(f) ? -0.1 : 0));
    // A frame that is off shows in the second differences that end with it and with the two after it.
    expect(spansOf(bentAt(40), 3)).toEqual([{ first: 37, last: 45 }]);
    expect(spansOf(bentAt(40, 46), 3)).toEqual([{ first: 37, last: 51 }]);
    expect(spansOf(bentAt(1, 88), 3)).toEqual([
      { first: 0, last: 6 },
      { first: 85, last: 89 },
    ]);
  });

  it('leaves out frames in which the foot swings', () => {
    const legs = standing((f, side) => (side === 1 && f === 40 ? -0.1 : 0));
    legs[0]!.held.fill(0, 30, 60);
    expect(spansOf(legs, 3)).toEqual([]);
  });
});
