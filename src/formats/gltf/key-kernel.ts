/**
 * Runs `src/kernels/animation-keys.ts`, the WebAssembly twin of gathering, reducing and storing keys.
 *
 * What it gives, in ns a rotation of a moving joint (zup_zombie_walk, cmu_walk and figure8_walk at 49 joints, busy EPYC of
 * 2.4 GHz, Node 20), beside TypeScript:
 * - gathering: 2.8 (4.9 one frame at a time), from one run a joint, beside 17.6 across the frames of the clip; laying the
 *   runs out takes 0.8 a joint, half of it to bring the clip in, where half of the joints never move (1.1 with theirs);
 * - reducing: 17.1, 25.6 and 23.9 beside 32.6, 45.3 and 39.1;
 * - storing as 16-bit integers: 1.4 (2.4 one frame at a time) beside 11.
 * And a fresh thread runs it at once, where it interprets TypeScript at first.
 */

import { align16, growTo, startModule } from '../../math/web-assembly.ts';
import type { Clip } from '../../skeleton/clip.ts';
import { type Change, gatherRotations } from './gather-rotations.ts';
import { KERNEL_CODE } from './key-kernel-code.ts';
import { type KeyWork, PlainKeyWork } from './key-work.ts';
import { reduceKeys, reductionRadius } from './reduce-keys.ts';
import type { KeyBytes } from './store-keys.ts';

/** Frames that are laid out at once: those of 49 joints fit into the first cache. */
const PIECE = 32;
/** Bytes that the memory may grow to: it never shrinks. Longer clips are worked out in TypeScript. */
const MOST_BYTES = 16 * 1024 * 1024;
/** Bytes of a quaternion in Float32 and in Float64. */
const FLOATS = 16;
const DOUBLES = 32;

interface KernelExports {
  memory: WebAssembly.Memory;
  heapStart: WebAssembly.Global<'i32'>;
  transpose(
    rows: number,
    rowCount: number,
    jointCount: number,
    out: number,
    stride: number,
    done: number,
    moves: number,
  ): void;
  repeat(run: number, count: number): void;
  holdsStill(run: number, count: number): number;
  gather(run: number, count: number, out: number): number;
  reduce(
    values: number,
    frameCount: number,
    radius: number,
    keyFrames: number,
    keyValues: number,
    enough: number,
  ): number;
  storeShorts(values: number, count: number, out: number): void;
  storeFloats(values: number, count: number, out: number): void;
}

/** The kernel of a thread, and whose work is in its memory. */
interface KeyKernel {
  code: KernelExports;
  owner: KernelKeyWork | null;
  hasRoomFor(clip: Clip): boolean;
}

let shared: KeyKernel | null | undefined;

/** Work on a clip, by the kernel where that can be had and has room for it, else in TypeScript: the same bits. */
export function openKeyWork(clip: Clip): KeyWork {
  const kernel = keyKernel();
  return kernel?.hasRoomFor(clip) ? new KernelKeyWork(kernel, clip) : new PlainKeyWork(clip);
}

/** The kernel of this thread; null where WebAssembly may not be compiled. */
function keyKernel(): KeyKernel | null {
  if (shared === undefined) {
    const code = startModule(KERNEL_CODE) as unknown as KernelExports | null;
    shared = code && { code, owner: null, hasRoomFor: (clip) => layOut(code, clip).end <= MOST_BYTES };
  }
  return shared;
}

/** Addresses: which joints move, rows of the clip as they come in, runs of the joints, values, keys, and what is stored of them. */
function layOut(code: KernelExports, { jointCount, frameCount }: Clip) {
  const moves = align16(code.heapStart.value);
  const rows = align16(moves + jointCount * 4);
  const runs = rows + PIECE * jointCount * FLOATS;
  const values = runs + frameCount * jointCount * FLOATS;
  const keyFrames = values + frameCount * DOUBLES;
  // One key more than there are frames, so that it is known when there are too many.
  const keyValues = align16(keyFrames + (frameCount + 1) * 4);
  const stored = keyValues + (frameCount + 1) * DOUBLES;
  // Kernels read and write in pairs: one quaternion more than there are.
  return { moves, rows, runs, values, keyFrames, keyValues, stored, end: stored + (frameCount + 1) * FLOATS };
}

/** Work on one clip. Several may be open: who comes second takes the memory, and who comes back lays it out again. */
class KernelKeyWork implements KeyWork {
  values = new Float64Array(0);
  keyFrames = new Int32Array(0);
  keyValues = new Float64Array(0);
  readonly #kernel: KeyKernel;
  readonly #clip: Clip;
  readonly #places: ReturnType<typeof layOut>;
  /** One a joint: 0 for one of whose run only the first frame is laid out, since all are the same. */
  #moves = new Int32Array(0);
  #hasRuns = false;

  constructor(kernel: KeyKernel, clip: Clip) {
    this.#kernel = kernel;
    this.#clip = clip;
    this.#places = layOut(kernel.code, clip);
    this.#own();
  }

  holdsStill(j: number): boolean {
    const code = this.#runs();
    return this.#moves[j] === 0 || code.holdsStill(this.#run(j), this.#clip.frameCount) !== 0;
  }

  gather(j: number, count: number, change?: Change): number {
    if (change) {
      this.#own();
      return gatherRotations(this.#clip, j, count, this.values, change);
    }
    const code = this.#runs();
    if (this.#moves[j] === 0) code.repeat(this.#run(j), count);
    return code.gather(this.#run(j), count, this.#places.values);
  }

  reduce(values: Float64Array, frameCount: number, width: 3 | 4, tolerance: number, enough: number): number {
    const code = this.#own();
    const { keyFrames, keyValues } = this.#places;
    // Few channels are translations.
    if (width === 3) return reduceKeys(values, frameCount, 3, tolerance, this.keyFrames, this.keyValues, enough);
    const radius = reductionRadius(tolerance);
    return code.reduce(this.#addressOf(values), frameCount, radius, keyFrames, keyValues, enough);
  }

  store(values: Float64Array, count: number, isShort: boolean, out: KeyBytes, byteOffset: number): void {
    const code = this.#own();
    const { stored } = this.#places;
    const from = this.#addressOf(values);
    if (isShort) code.storeShorts(from, count, stored);
    else code.storeFloats(from, count, stored);
    out.bytes.set(new Uint8Array(code.memory.buffer, stored, count * (isShort ? 8 : 16)), byteOffset);
  }

  #run(j: number): number {
    return this.#places.runs + j * this.#clip.frameCount * FLOATS;
  }

  /** Where values stand: what was made elsewhere is brought in. */
  #addressOf(values: Float64Array): number {
    if (values.buffer === this.values.buffer) return values.byteOffset;
    this.values.set(values);
    return this.#places.values;
  }

  #own(): KernelExports {
    const { code } = this.#kernel;
    if (this.#kernel.owner === this) return code;
    const { frameCount, jointCount } = this.#clip;
    const { moves, values, keyFrames, keyValues, end } = this.#places;
    growTo(code.memory, end);
    const { buffer } = code.memory;
    this.#moves = new Int32Array(buffer, moves, jointCount);
    this.values = new Float64Array(buffer, values, frameCount * 4);
    this.keyFrames = new Int32Array(buffer, keyFrames, frameCount + 1);
    this.keyValues = new Float64Array(buffer, keyValues, (frameCount + 1) * 4);
    this.#kernel.owner = this;
    this.#hasRuns = false;
    return code;
  }

  /** The kernel with the clip in it, one run a joint. */
  #runs(): KernelExports {
    const code = this.#own();
    if (this.#hasRuns) return code;
    const { rotations, jointCount, frameCount } = this.#clip;
    const { moves, rows, runs } = this.#places;
    const row = jointCount * 4;
    const window = new Float32Array(code.memory.buffer, rows, PIECE * row);
    for (let f = 0; f < frameCount; f += PIECE) {
      const count = Math.min(PIECE, frameCount - f);
      window.set(rotations.subarray(f * row, (f + count) * row));
      code.transpose(rows, count, jointCount, runs, frameCount * FLOATS, f, moves);
    }
    this.#hasRuns = true;
    return code;
  }
}
