/**
 * Runs `src/kernels/bvh-frames.ts`, the WebAssembly twin of scanner and decoder, over blocks of a file.
 *
 * What it gives, in ns a value on a busy EPYC of 2.4 GHz, Node 20, on salsa_01.bvh (9.7 bytes a value, a third with an
 * exponent) and zup_wave_hello.bvh (7.9 bytes, four decimals), beside 25.8 and 20.9 for numbers, 18.4 and 18.9 for
 * rotations and the rest in TypeScript:
 * - numbers in vectors of 16 bytes: 19.4 and 16.4; blanks told by the vector that holds the number, not byte by byte, and
 *   no mask of points: 15.4 and 13.0. Longer numbers digit by digit, as in TypeScript.
 * - rotations of two frames side by side: 5.3.
 * - copies of the bytes in and of the rotations out: 0.6 to 1.5.
 * And in a fresh thread, where TypeScript is interpreted at first, the first 3 MB take 40 ms in place of 180.
 */
import { align16, growTo, startModule } from '../../math/web-assembly.ts';
import type { DecodePlan } from './decoder.ts';
import { KERNEL_CODE } from './kernel-code.ts';
import { POWER_HIGH, POWER_LOW } from './numbers.ts';
import type { ValueScanner } from './scanner.ts';

/** Bytes of a file that a kernel is given at once: both ends of the work stay in the second cache. */
export const PIECE = 256 * 1024;
/** What may be read behind the end: a vector. */
const OVERHANG = 16;
const BLANK = 32;
/** Frames decoded at once, when they take no more than so many bytes. */
const MOST_FRAMES = 64;
const FRAME_BYTES = 256 * 1024;
/** A joint of `decode`: seven Int32, four bytes unused, a Float64. */
const RECORD = 40;

interface KernelExports {
  memory: WebAssembly.Memory;
  powerHigh: WebAssembly.Global<'i32'>;
  powerLow: WebAssembly.Global<'i32'>;
  heapStart: WebAssembly.Global<'i32'>;
  at: WebAssembly.Global<'i32'>;
  filled: WebAssembly.Global<'i32'>;
  lines: WebAssembly.Global<'i32'>;
  lineStart: WebAssembly.Global<'i32'>;
  lastReturn: WebAssembly.Global<'i32'>;
  scan(
    start: number,
    end: number,
    rows: number,
    rowCount: number,
    channelCount: number,
    count: number,
    isWrapped: boolean,
    crAt: number,
  ): number;
  decode(
    values: number,
    valueStride: number,
    rowCount: number,
    joints: number,
    jointCount: number,
    out: number,
    outStride: number,
  ): void;
}

let shared: FrameKernel | null | undefined;

/** The kernel of this thread; null where WebAssembly may not be compiled. What it holds lasts for one call only. */
export function frameKernel(): FrameKernel | null {
  if (shared === undefined) {
    const code = startModule(KERNEL_CODE);
    shared = code && new FrameKernel(code);
  }
  return shared;
}

/** Where the rotations of a take stand: address of the first row, bytes a row, address of the joints' records. */
interface TakePlace {
  plan: DecodePlan;
  out: number;
  stride: number;
  joints: number;
}

/** Reads numbers of a block into rows, a frame each, and decodes them; does not check, throw or note anything. */
export class FrameKernel {
  private readonly code: KernelExports;
  private bytes = new Uint8Array(0);
  private floats = new Float32Array(0);
  /** Rows of values, `stride` numbers each, from number `rowsAt` on. Valid until the next call of `begin`. */
  values = new Float64Array(0);
  rowsAt = 0;
  stride = 0;
  private input = 0;
  private inputEnd = 0;
  /** Offset in the block of the byte at `input`. */
  private inputFrom = 0;
  private frameRoom = 0;
  private places: TakePlace[] = [];
  private scanner: ValueScanner | null = null;

  constructor(code: WebAssembly.Exports) {
    this.code = code as unknown as KernelExports;
    this.reserve(this.code.heapStart.value);
    this.values.set(POWER_HIGH, this.code.powerHigh.value / 8);
    this.values.set(POWER_LOW, this.code.powerLow.value / 8);
  }

  /**
   * Takes in the block of the scanner from where that stands up to `end`, and how its frames are decoded. All that follows
   * is about that block: the scanner may read frames of it in between.
   */
  begin(scanner: ValueScanner, block: Uint8Array, end: number, plans: readonly DecodePlan[]): void {
    const { channelCount } = scanner;
    const joints = plans.reduce((sum, { jointCount }) => sum + jointCount, 0);
    this.scanner = scanner;
    this.stride = channelCount + 1;
    const frameBytes = this.stride * 8 + joints * 16;
    this.frameRoom = Math.max(2, Math.min(MOST_FRAMES, Math.floor(FRAME_BYTES / frameBytes)));
    this.inputFrom = scanner.at;
    this.input = align16(this.code.heapStart.value);
    this.inputEnd = this.input + end - scanner.at;
    const rows = align16(this.inputEnd + OVERHANG);
    let top = rows + this.frameRoom * this.stride * 8;
    this.places = plans.map((plan) => {
      const stride = plan.jointCount * 16;
      const place = { plan, joints: top, out: align16(top + plan.turned.length * RECORD) + stride, stride };
      top = place.out + this.frameRoom * stride;
      return place;
    });
    this.reserve(top);

    this.bytes.set(block.subarray(scanner.at, end), this.input);
    this.bytes.fill(BLANK, this.inputEnd, this.inputEnd + OVERHANG);
    this.rowsAt = rows / 8;
    for (let row = 1; row <= this.frameRoom; row++) this.values[this.rowsAt + row * this.stride - 1] = 0;
    for (const place of this.places) this.setPlan(place);
  }

  /**
   * Reads on and moves the scanner on. Returns how many frames are in `values`; none: the block is used up, or something
   * follows that the scanner has to read itself.
   */
  readFrames(): number {
    const { code, scanner } = this;
    if (scanner === null) return 0;
    const { channelCount, at, returnAt } = scanner;
    const shift = this.inputFrom - this.input;
    const filled = scanner.filled === channelCount ? 0 : scanner.filled;
    this.values.set(scanner.values.subarray(0, filled), this.rowsAt);
    const crAt = returnAt === at - 1 ? at - 1 - shift : 0;
    const isWrapped = scanner.brokenLine !== null;
    const rows = this.rowsAt * 8;
    const frames = code.scan(at - shift, this.inputEnd, rows, this.frameRoom, channelCount, filled, isWrapped, crAt);
    const lineStart = code.lineStart.value;
    const lastReturn = code.lastReturn.value;
    scanner.advance({
      at: code.at.value + shift,
      filled: code.filled.value,
      frames,
      lines: code.lines.value,
      lineStart: lineStart === 0 ? null : lineStart + shift,
      lastReturn: lastReturn === 0 ? null : lastReturn + shift,
    });
    const rest = this.rowsAt + frames * this.stride;
    scanner.values.set(this.values.subarray(rest, rest + scanner.filled));
    return frames;
  }

  /**
   * Rotations of the frames in `values`, as `decodeRotations`: frame-major, jointCount × 4, valid until the next call.
   * @param before  rotations of the frame before the first; null where there is none
   */
  decode(take: number, frames: number, before: Float32Array | null): Float32Array {
    const { plan, joints, out, stride } = this.places[take]!;
    const first = (out - stride) / 4;
    if (before) this.floats.set(before, first);
    else setIdentities(this.floats, first, plan.jointCount);
    this.code.decode(this.rowsAt * 8, this.stride * 8, frames, joints, plan.turned.length, out, stride);
    return this.floats.subarray(out / 4, out / 4 + frames * plan.jointCount * 4);
  }

  private setPlan({ plan, joints, out }: TakePlace): void {
    const { turned, turns, axes, parity, jointCount } = plan;
    const records = new DataView(this.bytes.buffer, joints, turned.length * RECORD);
    for (let t = 0, at = 0; t < turned.length; t++, at += RECORD) {
      const quaternion = turned[t]! * 16;
      for (let k = 0; k < 3; k++) {
        records.setInt32(at + k * 4, turns[t * 3 + k]! * 8, true);
        records.setInt32(at + 12 + k * 4, quaternion + axes[t * 3 + k]! * 4, true);
      }
      records.setInt32(at + 24, quaternion + 12, true);
      records.setFloat64(at + 32, parity[t]!, true);
    }
    // The others are never written.
    if (turned.length < jointCount) setIdentities(this.floats, out / 4, this.frameRoom * jointCount);
  }

  private reserve(bytes: number): void {
    const { memory } = this.code;
    growTo(memory, bytes);
    if (this.bytes.buffer === memory.buffer) return;
    this.bytes = new Uint8Array(memory.buffer);
    this.floats = new Float32Array(memory.buffer);
    this.values = new Float64Array(memory.buffer);
  }
}

function setIdentities(out: Float32Array, at: number, count: number): void {
  out.fill(0, at, at + count * 4);
  for (let w = at + 3; w < at + count * 4; w += 4) out[w] = 1;
}
