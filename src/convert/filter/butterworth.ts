/**
 * Zero-lag low-pass: a second-order Butterworth filter run forwards and backwards, which together are of fourth order and
 * shift no phase. Winter, Biomechanics and Motor Control of Human Movement, "Smoothing and curve fitting of data", gives the
 * coefficients and the correction of the cut-off: after two passes the amplitude at `cutoff` is 1/√2, for which each pass
 * is designed for cutoff / 0.802, with 0.802 = (√2 − 1)^¼.
 *
 * Beyond both ends the signal goes on as its point reflection, so that ends neither ring nor are drawn to zero.
 *
 * @param values  one channel, evenly sampled; overwritten
 * @param cutoff  Hz, above 0; from half the sample rate on nothing is filtered
 * @param fps     samples a second
 */
export function lowPass(values: Float64Array, cutoff: number, fps: number): void {
  const corrected = Math.tan((Math.PI * cutoff) / fps) / (Math.SQRT2 - 1) ** 0.25;
  if (cutoff >= fps / 2 || !(corrected > 0) || values.length < 2) return;
  const k1 = Math.SQRT2 * corrected;
  const k2 = corrected * corrected;
  const a0 = k2 / (1 + k1 + k2);
  const k3 = (2 * a0) / k2;
  const b1 = k3 - 2 * a0;
  const b2 = 1 - 2 * a0 - k3;
  const last = values.length - 1;
  // Three periods of the cut-off: what is left of the start by then is below 1e-5.
  const pad = Math.min(last, Math.ceil((3 * fps) / cutoff));
  const padded = new Float64Array(values.length + 2 * pad);
  padded.set(values, pad);
  for (let i = 1; i <= pad; i++) {
    padded[pad - i] = 2 * values[0]! - values[i]!;
    padded[pad + last + i] = 2 * values[last]! - values[last - i]!;
  }
  pass(padded, a0, b1, b2);
  padded.reverse();
  pass(padded, a0, b1, b2);
  padded.reverse();
  values.set(padded.subarray(pad, pad + values.length));
}

/** y[n] = a0 (x[n] + 2 x[n-1] + x[n-2]) + b1 y[n-1] + b2 y[n-2], in place, from the rest at the first value. */
function pass(x: Float64Array, a0: number, b1: number, b2: number): void {
  let x1 = x[0]!;
  let x2 = x1;
  let y1 = x1;
  let y2 = x1;
  for (let i = 0; i < x.length; i++) {
    const y = a0 * (x[i]! + 2 * x1 + x2) + b1 * y1 + b2 * y2;
    x2 = x1;
    x1 = x[i]!;
    y2 = y1;
    y1 = y;
    x[i] = y;
  }
}
