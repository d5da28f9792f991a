import { describe, expect, it } from 'vitest';
import { limitPitch } from '../../src/contact/foot-turns.ts';
import type { LegTrack } from '../../src/contact/leg-track.ts';
import type { LevelFoot } from '../../src/contact/level-foot.ts';
import type { Sole } from '../../src/contact/sole.ts';
import type { RetargetPlan } from '../../src/retarget/plan.ts';

const FRAMES = 16;
const DEGREES = 180 / Math.PI;
/** The target's foot is twice as long, for its leg, as the performer's. */
const HEEL = [0, -0.08, -0.06] as const;
const BALL = [0, -0.08, 0.14] as const;

/** Pitch, toes up positive, degrees, of feet that point down by 60 degrees while their ankles are at some heights (leg length 1). */
function pitches(heights: readonly number[]): number[] {
  const half = 60 / DEGREES / 2;
  const feet = Float64Array.from(heights.flatMap(() => [Math.sin(half), 0, 0, Math.cos(half)]));
  const leg = { limb: { length: 1 }, feet, ankles: Float64Array.from(heights.flatMap((y) => [0, y, 0])) };
  const point = (at: readonly number[]) => ({ at: Float64Array.from(at), height: 0 });
  const level = { undo: Float64Array.of(0, 0, 0, 1), heel: point(HEEL), ball: point(BALL) };
  const sole = (scale: number) => ({
    heel: HEEL.map((v) => v * scale),
    ball: BALL.map((v) => v * scale),
    length: scale,
  });
  const turned = limitPitch(
    { scale: 1 } as RetargetPlan,
    leg as unknown as LegTrack,
    level as unknown as LevelFoot,
    sole(1) as unknown as Sole,
    sole(0.5) as unknown as Sole,
    null,
    1 / 120,
  );
  return heights.map((_, f) => -2 * Math.atan2(turned[f * 4]!, turned[f * 4 + 3]!) * DEGREES);
}

describe('limitPitch', () => {
  it('halves the pitch of a foot of twice the length near the floor, and leaves it high in the air', () => {
    expect(pitches([0.2])[0]).toBeCloseTo(-30, 6);
    expect(pitches([0.9])[0]).toBeCloseTo(-60, 6);
  });

  it('lets a foot that is kicked up come to its pitch without a jerk', () => {
    // 6.7 leg lengths a second at 120 frames a second, as in a captured dance (cmu_indian_long).
    const pitch = pitches(Array.from({ length: FRAMES }, (_, f) => 0.15 + 0.056 * f));
    let most = 0;
    for (let f = 1; f + 1 < FRAMES; f++)
      most = Math.max(most, Math.abs(pitch[f - 1]! - 2 * pitch[f]! + pitch[f + 1]!) / 2);
    // Degrees, as the proof measures pops; 1.6 when the limit ends at 0.4 of the leg.
    expect(most).toBeLessThan(1.2);
  });
});
