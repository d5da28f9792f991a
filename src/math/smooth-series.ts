/**
 * Solves (W + λ · D₂ᵀ·D₂) · x = W · b for one number a frame: W is diagonal, D₂ takes second differences (Whittaker 1923,
 * 'On a new method of graduation'). L·D·Lᵀ of a matrix of half width 2, linear in the frames.
 *
 * @param weights     diagonal of W, each above zero; overwritten
 * @param smoothness  λ; a wave of the frequency ω (rad a frame) is halved at λ = 1 / (2 sin(ω / 2))⁴ against weights of 1
 * @param values      b; overwritten with x
 * Allocates one number a frame.
 */
export function smoothSeries(weights: Float64Array, smoothness: number, values: Float64Array): void {
  const count = values.length;
  const left = new Float64Array(count);
  for (let i = 0; i < count; i++) {
    // Second differences that hold this frame: at its right end, in their middle, at their left end.
    const ends = i >= 2 ? 1 : 0;
    const middle = i >= 1 && i + 1 < count ? 1 : 0;
    const begins = i + 2 < count ? 1 : 0;
    let own = weights[i]! + smoothness * (ends + 4 * middle + begins);
    let value = weights[i]! * values[i]!;
    if (i >= 1) {
      // The same with the frame before.
      let beside = -2 * smoothness * (ends + middle);
      if (i >= 2) {
        beside -= smoothness * left[i - 1]!;
        const far = smoothness / weights[i - 2]!;
        own -= far * smoothness;
        value -= far * values[i - 2]!;
      }
      left[i] = beside / weights[i - 1]!;
      own -= left[i]! * beside;
      value -= left[i]! * values[i - 1]!;
    }
    weights[i] = own;
    values[i] = value;
  }
  for (let i = count - 1; i >= 0; i--) {
    let value = values[i]!;
    if (i + 2 < count) value -= smoothness * values[i + 2]!;
    value /= weights[i]!;
    if (i + 1 < count) value -= left[i + 1]! * values[i + 1]!;
    values[i] = value;
  }
}
