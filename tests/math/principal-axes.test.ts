import { describe, expect, it } from 'vitest';
import { principalAxes } from '../../src/math/principal-axes.ts';

describe('principalAxes', () => {
  it('finds the axis and shares of a cloud that is stretched along known directions', () => {
    const long = [0.6, 0, 0.8] as const;
    const short = [0, 1, 0] as const;
    const cloud = [-2, -1, 0, 1, 2].flatMap((t) =>
      [-1, 1].map(
        (s): [number, number, number] =>
          [0, 1, 2].map((k) => 3 * t * long[k]! + s * short[k]!) as [number, number, number],
      ),
    );
    const { axes, shares } = principalAxes(cloud);
    expect(Math.abs(axes[0]![0] * 0.6 + axes[0]![2] * 0.8)).toBeCloseTo(1, 12);
    expect(Math.abs(axes[1]![1])).toBeCloseTo(1, 12);
    // Sums of squares by hand: 2 · 9 · (4 + 1 + 0 + 1 + 4) = 180 along the long axis, 10 along the short one.
    expect(shares[0]).toBeCloseTo(180 / 190, 12);
    expect(shares[2]).toBeCloseTo(0, 12);
  });

  it('gives square unit axes and no shares for an empty cloud and for one at the origin', () => {
    for (const cloud of [[], [[0, 0, 0]]] as [number, number, number][][]) {
      const { axes, shares } = principalAxes(cloud);
      for (const axis of axes) expect(Math.hypot(...axis)).toBeCloseTo(1, 12);
      expect(shares).toEqual([0, 0, 0]);
    }
  });
});
