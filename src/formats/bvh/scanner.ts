/**
 * The numbers below `Frame Time:`, where nearly all bytes of a BVH file are. Most are read by a kernel in WebAssembly
 * (`kernel.ts`), which leaves to this scanner what is out of the ordinary.
 *
 * Ways tried, in ns a value on cmu_indian_long.bvh (9.7 bytes a value, a third with an exponent) and zup_wave_hello.bvh
 * (7.9 bytes, four decimals); Xeon of 2.6 GHz, Node 20:
 * - one digit at a time into an int32: 23.0 and 14.0. Signs without a branch: 21.2 and 14.0. Four decimals at once where
 *   there are four: 19.6 and 12.6. The blank behind a number stepped over at once: 18.3 and 11.0.
 * - long numbers and far exponents (1.5 % of the values) as double-double, not by a string: 15.3 and 11.3. Decimals
 *   beyond the fourth in Float64, not int32: the same there, but clips of 9 to 12 decimals from 90 to 340 MB/s.
 * - a table of powers used as imported, not as a constant of this file: 23.1 and 18.4.
 * - not kept: whole digits by a 32-bit word and its count of leading digits, 22.4 and 15.2. Nothing is mispredicted, but
 *   every number waits for the length of the one before. Half angles worked out within this loop: no gain.
 */
import { RigproofError } from '../../errors.ts';
import { quote } from './header.ts';
import { EXACT_POWERS, parseNumberText, readDecimal } from './numbers.ts';

const TAB = 9;
const LINE_FEED = 10;
const RETURN = 13;
const BLANK = 32;
const PLUS = 43;
const MINUS = 45;
const ZERO = 48;
/** '.' as a digit: its code less that of '0'. */
const POINT_DIGIT = -2;
const LOWER_CASE = 32;
const LETTER_E = 101;

/** An int32 holds any number of that many digits. */
const INT32_DIGITS = 9;
/** And a Float64 any number of that many. */
const EXACT_DIGITS = 15;
/** A constant of this file: an imported one is looked up at every use, which costs half as much as all the rest. */
const POWERS = EXACT_POWERS;
/** Clips are stored in Float32: what is larger cannot be kept. */
const FLOAT32_MAX = 3.4028234663852886e38;

/** Whether a byte stands between two numbers. */
export function isBlank(byte: number): boolean {
  return byte <= BLANK && (byte === BLANK || (byte >= TAB && byte <= RETURN));
}

/** How far a kernel has read in a block. */
export interface ReadOn {
  /** Offset in the block of the next byte. */
  at: number;
  /** Values of the frame that is not whole yet. */
  filled: number;
  /** Frames that became whole, and lines that ended. */
  frames: number;
  lines: number;
  /** Offset in the block behind the last end of a line, and of the last CR; null where there was none. */
  lineStart: number | null;
  lastReturn: number | null;
}

/**
 * Reads the numbers of the frames, one frame at a time, into `values`. Lines do not matter to the values; they are
 * followed for messages and to tell where a frame stops being a line.
 */
export class ValueScanner {
  /** The frame being read, in file order, and a 0 behind it for the axes that have no channel. */
  readonly values: Float64Array;
  readonly channelCount: number;
  /** Values of the frame read so far. */
  filled = 0;
  /** Whole frames read. */
  frames = 0;
  /** The block at hand, the next byte in it, and its offset in the file. */
  private bytes: Uint8Array = new Uint8Array(0);
  private view: DataView = new DataView(new ArrayBuffer(0));
  at = 0;
  private base = 0;
  /** Line of the next byte, from 1, and the offset of its first byte in the file. */
  line: number;
  private lineStart: number;
  private lastReturn = -2;
  /** Where a line first ended within a frame. */
  brokenLine: { line: number; frame: number; count: number } | null = null;
  private readonly file: string;

  constructor(file: string, channelCount: number, line: number, column: number, offset: number) {
    this.file = file;
    this.channelCount = channelCount;
    this.values = new Float64Array(channelCount + 1);
    this.line = line;
    this.lineStart = offset - (column - 1);
  }

  /** Takes the next block, of which `at` is the first byte to read and `base` the offset in the file of its byte 0. */
  setBlock(bytes: Uint8Array, at: number, base: number): void {
    this.bytes = bytes;
    this.view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
    this.at = at;
    this.base = base;
  }

  /** Takes over from a kernel that has read on in the block: see `FrameKernel`. */
  advance(read: ReadOn): void {
    this.at = read.at;
    this.filled = read.filled;
    this.frames += read.frames;
    this.line += read.lines;
    if (read.lineStart !== null) this.lineStart = this.base + read.lineStart;
    if (read.lastReturn !== null) this.lastReturn = this.base + read.lastReturn;
  }

  /** Offset in the block of the CR that was read last: below 0 where that stands before it. */
  get returnAt(): number {
    return this.lastReturn - this.base;
  }

  /**
   * Reads on in the block up to `end` until a frame is whole. Returns whether it is; false: the block is used up.
   * The byte before `end` must be blank, so that no number is cut and no digit needs a check for the end.
   */
  readFrame(end: number): boolean {
    const { bytes, view, values, channelCount } = this;
    let { at, filled } = this;
    if (filled === channelCount) filled = 0;
    for (;;) {
      for (;;) {
        if (at >= end) {
          this.at = at;
          this.filled = filled;
          return false;
        }
        const byte = bytes[at]!;
        if (byte > BLANK) break;
        if (byte === LINE_FEED || byte === RETURN) this.endLine(byte, at, filled);
        else if (!isBlank(byte)) break;
        at++;
      }
      if (channelCount === 0) this.failWithoutChannels(at);

      // Both signs without a branch, which would be mispredicted every other time: (0 - 1) >>> 31 is 1.
      const start = at;
      let byte = bytes[at]!;
      const minus = ((byte ^ MINUS) - 1) >>> 31;
      at += minus | (((byte ^ PLUS) - 1) >>> 31);
      const first = at;
      let whole = 0;
      let digit = bytes[at]! - ZERO;
      while (digit >>> 0 <= 9) {
        whole = (whole * 10 + digit) | 0;
        digit = bytes[++at]! - ZERO;
      }
      const wholeDigits = at - first;
      let digits = wholeDigits;
      let mantissa = whole;
      let exponent = 0;
      if (digit === POINT_DIGIT) {
        const point = ++at;
        if (at + 4 <= end) {
          // Four decimals at once where there are four: no byte is outside '0' … '9' when neither sum reaches bit 7.
          const word = view.getInt32(at, true);
          if ((((word + 0x46464646) | (word - 0x30303030)) & 0x80808080) === 0) {
            const low = word & 0x0f0f0f0f;
            const pairs = Math.imul(low, 10) + (low >>> 8);
            mantissa = whole * 10000 + (pairs & 0xff) * 100 + ((pairs >>> 16) & 0xff);
            at += 4;
          }
        }
        digit = bytes[at]! - ZERO;
        while (digit >>> 0 <= 9) {
          mantissa = mantissa * 10 + digit;
          digit = bytes[++at]! - ZERO;
        }
        exponent = point - at;
        digits -= exponent;
      }
      byte = digit + ZERO;
      if ((byte | LOWER_CASE) === LETTER_E) {
        byte = bytes[++at]!;
        const isShrinking = byte === MINUS;
        if (isShrinking || byte === PLUS) byte = bytes[++at]!;
        const firstOfPower = at;
        let power = 0;
        while ((byte - ZERO) >>> 0 <= 9) {
          power = (power * 10 + byte - ZERO) | 0;
          byte = bytes[++at]!;
        }
        exponent += isShrinking ? -power : power;
        // No power at all, or one that may have run over: no number of the fast path.
        if (at === firstOfPower || at - firstOfPower > 4) digits = 0;
      }
      let value: number;
      if (
        digits > 0 &&
        digits <= EXACT_DIGITS &&
        wholeDigits <= INT32_DIGITS &&
        exponent >= -22 &&
        exponent <= 22 &&
        byte <= BLANK
      ) {
        // Both operands are exact, so the one rounding is the right one (Clinger 1990, 'How to read floating point
        // numbers accurately', fast path).
        value = exponent <= 0 ? mantissa / POWERS[-exponent]! : mantissa * POWERS[exponent]!;
        value *= 1 - 2 * minus;
      } else {
        value = this.readOther(start, end, filled);
        at = this.at;
        byte = bytes[at]!;
      }
      if (byte === BLANK) at++;
      values[filled++] = value;
      if (filled === channelCount) {
        this.at = at;
        this.filled = filled;
        this.frames++;
        return true;
      }
    }
  }

  /** A number that the fast path does not take, and `at` after it; throws for what is none or is beyond Float32. */
  private readOther(start: number, blockEnd: number, filled: number): number {
    let end = start;
    while (end < blockEnd && !isBlank(this.bytes[end]!)) end++;
    this.at = end;
    const decimal = readDecimal(this.bytes, start, end);
    if (Math.abs(decimal) < FLOAT32_MAX) return decimal;
    const text = latin1(this.bytes.subarray(start, end));
    const value = parseNumberText(text);
    if (value !== null && Math.abs(value) < FLOAT32_MAX) return value;
    const offset = this.base + start;
    const expected = `Expected a number as value ${filled + 1} of ${this.channelCount} in frame ${this.frames}`;
    const isNotFinite = value !== null || /^[+-]?(nan|inf(inity)?|1\.#\w+)/i.test(text);
    throw new RigproofError(
      isNotFinite ? 'BVH_NOT_FINITE' : 'BVH_VALUE',
      `${expected}, got ${quote(text)}.`,
      { file: this.file, line: this.line, column: offset - this.lineStart + 1, frame: this.frames },
      { hint: valueHint(text, isNotFinite) },
    );
  }

  private failWithoutChannels(at: number): never {
    throw new RigproofError(
      'BVH_VALUE_COUNT',
      'Frame 0 has values, but no joint of the hierarchy declares a channel.',
      { file: this.file, line: this.line, column: this.base + at - this.lineStart + 1, frame: 0 },
      { hint: 'Export the hierarchy with its CHANNELS lines.' },
    );
  }

  private endLine(byte: number, at: number, filled: number): void {
    const offset = this.base + at;
    if (byte === RETURN) this.lastReturn = offset;
    // CRLF is one end, counted at the CR.
    if (byte === RETURN || this.lastReturn !== offset - 1) {
      if (filled > 0 && filled < this.channelCount && !this.brokenLine) {
        this.brokenLine = { line: this.line, frame: this.frames, count: filled };
      }
      this.line++;
    }
    this.lineStart = offset + 1;
  }
}

function valueHint(text: string, isNotFinite: boolean): string {
  if (isNotFinite)
    return 'The exporter wrote a value that is no finite number: mend the motion there and export again.';
  if (/^[+-]?\d+,\d+$/.test(text)) return 'Decimals need a point, not a comma: export with another language setting.';
  return 'Nothing but numbers may stand below Frame Time.';
}

function latin1(bytes: Uint8Array): string {
  let text = '';
  for (const byte of bytes) text += String.fromCharCode(byte);
  return text;
}
