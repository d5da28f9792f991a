import type { Clip } from '../../skeleton/clip.ts';
import { type Change, gatherRotations, holdsStill } from './gather-rotations.ts';
import { reduceKeys } from './reduce-keys.ts';
import { type KeyBytes, storeFloats, storeShorts } from './store-keys.ts';

/** Where the channels of a clip are worked out, one after the other: each method overwrites what the last one left. */
export interface KeyWork {
  /** Room for the values of one channel, frameCount × 4. */
  readonly values: Float64Array;
  /** Keys of the channel that was reduced last: frame of each, and width numbers of each. */
  readonly keyFrames: Int32Array;
  readonly keyValues: Float64Array;
  /** As `holdsStill`. */
  holdsStill(j: number): boolean;
  /** As `gatherRotations`, into `values`. */
  gather(j: number, count: number, change?: Change): number;
  /** As `reduceKeys`. */
  reduce(values: Float64Array, frameCount: number, width: 3 | 4, tolerance: number, enough: number): number;
  /** Stores `count` quaternions as Float32 or as normalised 16-bit integers. */
  store(values: Float64Array, count: number, isShort: boolean, out: KeyBytes, byteOffset: number): void;
}

/** In TypeScript: the reference. */
export class PlainKeyWork implements KeyWork {
  readonly values: Float64Array;
  readonly keyFrames: Int32Array;
  readonly keyValues: Float64Array;
  readonly #clip: Clip;

  constructor(clip: Clip) {
    this.#clip = clip;
    this.values = new Float64Array(clip.frameCount * 4);
    this.keyFrames = new Int32Array(clip.frameCount);
    this.keyValues = new Float64Array(clip.frameCount * 4);
  }

  holdsStill(j: number): boolean {
    return holdsStill(this.#clip, j);
  }

  gather(j: number, count: number, change?: Change): number {
    return gatherRotations(this.#clip, j, count, this.values, change);
  }

  reduce(values: Float64Array, frameCount: number, width: 3 | 4, tolerance: number, enough: number): number {
    return reduceKeys(values, frameCount, width, tolerance, this.keyFrames, this.keyValues, enough);
  }

  store(values: Float64Array, count: number, isShort: boolean, out: KeyBytes, byteOffset: number): void {
    if (isShort) storeShorts(values, count * 4, out.shorts, byteOffset / 2);
    else storeFloats(values, count * 4, 4, out.floats, byteOffset / 4);
  }
}
