/** Rates that motion is captured, filmed or played at, tried first. Common practice, no source. */
const COMMON_RATES = [24, 25, 30, 48, 50, 60, 72, 90, 96, 100, 120, 144, 180, 200, 240, 250, 300, 360, 480];
/** Television rates of 1000/1001 of a whole number (SMPTE ST 12-1: 24, 30, 60; 120 by the same rule). */
const DROPPED_RATES = [24, 30, 60, 120];
/** A duration this near (relative) to 1 / fps loses less than half a frame in a million frames. */
const EXACT_TOLERANCE = 5e-7;

/** A frame rate read from a frame duration. */
export interface FrameRate {
  /** Frames a second: the rate that was meant, as far as the digits tell. */
  fps: number;
  /** Whether the duration is that rate's, to half a millionth; false: it was written with too few digits. */
  exact: boolean;
}

/**
 * The frame rate that a duration in seconds was meant to say: 0.0333 is 30 fps written with four decimals.
 *
 * A rate fits when 1 / fps, rounded or cut to as many decimals as the duration has, gives the duration. Tried in
 * order: common whole rates, television rates (× 1000/1001), any whole rate. When none fits the rate is 1 / duration.
 */
export function inferFrameRate(frameDuration: number): FrameRate {
  const unit = lastDecimal(frameDuration);
  const nearest = (rates: number[], tolerance: number): number | undefined => {
    let best: number | undefined;
    let bestError = tolerance * (1 + 1e-9);
    for (const fps of rates) {
      const error = Math.abs(1 / fps - frameDuration);
      if (error <= bestError) {
        bestError = error;
        best = fps;
      }
    }
    return best;
  };
  const dropped = DROPPED_RATES.map((rate) => (rate * 1000) / 1001);
  const whole = Math.round(1 / frameDuration);
  const wholeRates = whole >= 1 && Number.isFinite(whole) ? [whole] : [];
  const fps =
    nearest(COMMON_RATES, unit / 2) ??
    nearest(dropped, unit / 2) ??
    nearest(COMMON_RATES, unit) ??
    nearest(wholeRates, unit) ??
    1 / frameDuration;
  return { fps, exact: Math.abs(frameDuration * fps - 1) <= EXACT_TOLERANCE };
}

/** Worth of the last decimal a number is written with in its shortest form: 0.0333 → 1e-4. */
function lastDecimal(value: number): number {
  const [mantissa = '', exponent = '0'] = String(value).toLowerCase().split('e');
  const decimals = mantissa.includes('.') ? mantissa.length - mantissa.indexOf('.') - 1 : 0;
  // Never coarser than a thousandth: "1" is one second, not any rate near it.
  return Math.min(1e-3, 10 ** (Number(exponent) - decimals));
}
