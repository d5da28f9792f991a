import { RigproofError } from '../../errors.ts';
import { quote } from './header.ts';
import { parseNumberText } from './numbers.ts';

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

/** Powers of ten that Float64 holds exactly. */
const POWERS = Float64Array.from({ length: 23 }, (_, k) => Number(`1e${k}`));
/** An int32 holds any number of that many digits. */
const INT32_DIGITS = 9;

/** Whether a byte stands between two numbers. */
export function isBlank(byte: number): boolean {
  return byte === BLANK || byte === LINE_FEED || byte === RETURN || byte === TAB || byte === 11 || byte === 12;
}

/**
 * Reads the numbers of the frames, one frame at a time, into `values`. Lines do not matter to the values; they are
 * followed for messages and to tell where a frame stops being a line.
 */
export class ValueScanner {
  /** The frame being read, in file order. */
  readonly values: Float64Array;
  readonly channelCount: number;
  /** Values of the frame read so far. */
  filled = 0;
  /** Whole frames read. */
  frames = 0;
  /** Next byte in the block at hand, and the offset of the block in the file. */
  at = 0;
  base = 0;
  /** Line of the next byte, from 1, and the offset of its first byte in the file. */
  line: number;
  private lineStart: number;
  private lastReturn = -2;
  /** Where a line first ended within a frame. */
  brokenLine: { line: number; frame: number; count: number } | null = null;
  private readonly file: string;

  constructor(file: string, channelCount: number, line: number, column: number, base: number) {
    this.file = file;
    this.channelCount = channelCount;
    this.values = new Float64Array(channelCount);
    this.line = line;
    this.base = base;
    this.lineStart = base - (column - 1);
  }

  /**
   * Reads on in `bytes` up to `end` until a frame is whole. Returns whether it is; false: the block is used up.
   * The byte before `end` must be blank, so that no number is cut and no digit needs a check for the end.
   */
  readFrame(bytes: Uint8Array, end: number): boolean {
    const { values, channelCount } = this;
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
        if (byte === LINE_FEED || byte === RETURN) this.endLine(byte, at, filled);
        else if (byte !== BLANK && !isBlank(byte)) break;
        at++;
      }
      if (channelCount === 0) this.failWithoutChannels(at);
      const start = at;
      let byte = bytes[at]!;
      const isNegative = byte === MINUS;
      if (isNegative || byte === PLUS) byte = bytes[++at]!;
      const first = at;
      let mantissa = 0;
      let digit = byte - ZERO;
      while (digit >>> 0 <= 9) {
        mantissa = (mantissa * 10 + digit) | 0;
        digit = bytes[++at]! - ZERO;
      }
      let digits = at - first;
      let exponent = 0;
      if (digit === POINT_DIGIT) {
        const point = at;
        digit = bytes[++at]! - ZERO;
        while (digit >>> 0 <= 9) {
          mantissa = (mantissa * 10 + digit) | 0;
          digit = bytes[++at]! - ZERO;
        }
        exponent = point + 1 - at;
        digits -= exponent;
      }
      byte = digit + ZERO;
      if ((byte | LOWER_CASE) === LETTER_E && digits > 0) {
        byte = bytes[++at]!;
        const isShrinking = byte === MINUS;
        if (isShrinking || byte === PLUS) byte = bytes[++at]!;
        let power = 0;
        const firstOfPower = at;
        while ((byte - ZERO) >>> 0 <= 9) {
          power = (power * 10 + byte - ZERO) | 0;
          byte = bytes[++at]!;
        }
        // No digits, or enough of them to overflow: the slow way reads or refuses it.
        if (at === firstOfPower || at - firstOfPower > 4) digits = 0;
        exponent += isShrinking ? -power : power;
      }
      let value: number;
      if (digits > 0 && digits <= INT32_DIGITS && exponent >= -22 && exponent <= 22 && byte <= BLANK) {
        // Both operands are exact, so the one rounding is the right one (Clinger 1990, 'How to read floating point
        // numbers accurately', fast path).
        value = exponent <= 0 ? mantissa / POWERS[-exponent]! : mantissa * POWERS[exponent]!;
        if (isNegative) value = -value;
      } else {
        at = start;
        while (at < end && !isBlank(bytes[at]!)) at++;
        value = this.readSlowly(bytes, start, at, filled);
      }
      values[filled++] = value;
      if (filled === channelCount) {
        this.at = at;
        this.filled = filled;
        this.frames++;
        return true;
      }
    }
  }

  /** Any number that the fast path does not take; throws for what is none. */
  private readSlowly(bytes: Uint8Array, start: number, end: number, filled: number): number {
    const text = latin1(bytes.subarray(start, end));
    const value = parseNumberText(text);
    if (value !== null && Number.isFinite(Math.fround(value))) return value;
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
