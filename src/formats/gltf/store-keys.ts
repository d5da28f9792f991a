/** Memory that keys are stored in, by bytes and by what lies in them. */
export interface KeyBytes {
  bytes: Uint8Array<ArrayBuffer>;
  floats: Float32Array;
  shorts: Int16Array;
}

/** Four at a time: one by one took 1.5 times as long, and `TypedArray.set` 1.3 times. */
export function storeFloats(values: Float64Array, size: number, width: 3 | 4, out: Float32Array, start: number): void {
  if (width === 3) {
    for (let i = 0, to = start; i < size; i++, to++) out[to] = values[i]!;
    return;
  }
  for (let i = 0, to = start; i < size; i += 4, to += 4) {
    out[to] = values[i]!;
    out[to + 1] = values[i + 1]!;
    out[to + 2] = values[i + 2]!;
    out[to + 3] = values[i + 3]!;
  }
}

/**
 * Quaternions as normalised 16-bit integers. Storing cuts towards zero: half a step away from zero first rounds.
 * Math.round took three times as long, one component at a time 1.6 times.
 */
export function storeShorts(values: Float64Array, size: number, out: Int16Array, start: number): void {
  for (let i = 0, to = start; i < size; i += 4, to += 4) {
    const x = values[i]! * 32767;
    const y = values[i + 1]! * 32767;
    const z = values[i + 2]! * 32767;
    const w = values[i + 3]! * 32767;
    out[to] = x < 0 ? x - 0.5 : x + 0.5;
    out[to + 1] = y < 0 ? y - 0.5 : y + 0.5;
    out[to + 2] = z < 0 ? z - 0.5 : z + 0.5;
    out[to + 3] = w < 0 ? w - 0.5 : w + 0.5;
  }
}
