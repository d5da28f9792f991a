import { describe, expect, it } from 'vitest';
import { inferFrameRate } from '../../../src/formats/bvh/index.ts';

/** A frame time as files write it, the rate it means, and whether it is that rate's to half a millionth. */
const RATES: [seconds: number, fps: number, exact: boolean][] = [
  [0.0333, 30, false],
  [0.03333, 30, false],
  [0.033333, 30, false],
  [0.0333333, 30, false],
  [0.03333333, 30, true],
  [1 / 30, 30, true],
  [0.033, 30, false],
  [0.0417, 24, false],
  [0.041667, 24, false],
  [0.04, 25, true],
  [0.0167, 60, false],
  [0.016667, 60, false],
  [0.0166, 60, false],
  [0.02, 50, true],
  [0.01, 100, true],
  [0.0083, 120, false],
  [0.008333, 120, false],
  [0.00833333, 120, true],
  [0.0041667, 240, false],
  [0.033367, 30000 / 1001, false],
  [0.041708, 24000 / 1001, false],
  [0.016683, 60000 / 1001, false],
  [0.008342, 120000 / 1001, false],
  [0.05, 20, true],
  [0.0125, 80, true],
  [1, 1, true],
];

describe('the frame rate that a frame time means', () => {
  it.each(RATES)('%f s is %f fps', (seconds, fps, exact) => {
    const rate = inferFrameRate(seconds);
    expect(rate.fps).toBeCloseTo(fps, 9);
    expect(rate.exact).toBe(exact);
  });

  it('is the inverse where no rate fits', () => {
    expect(inferFrameRate(0.0123456789)).toEqual({ fps: 1 / 0.0123456789, exact: true });
    expect(inferFrameRate(2.7).fps).toBeCloseTo(1 / 2.7, 12);
  });
});
