import { type Note, RigproofError } from '../../errors.ts';
import type { BvhFile, BvhReaderOptions } from './bvh-file.ts';
import { checkStart, parseHeader } from './header.ts';
import { PIECE } from './kernel.ts';
import { MotionReader } from './motion-reader.ts';
import { isBlank } from './scanner.ts';

/** A hierarchy is searched for in blocks of this many bytes, so that the frames are not decoded as text. */
const HEADER_BLOCK = 32 * 1024;
/** 32,767 joints of 200 bytes fit twice. */
const HEADER_LIMIT = 16 * 1024 * 1024;
/** A number that is longer is none; nor is the label before it. */
const TOKEN_LIMIT = 1024;
/** The end of the header. Blanks are bounded, so that the end is found alike wherever chunks are split. */
const FRAME_TIME = /(?<=^|\s)Frame[ \t]{0,64}Time[ \t]{0,64}:[ \t\r\n]{0,64}\S{1,64}(?=[ \t\r\n])/im;
const FRAME_TIME_MAX = 512;

/** Reads a BVH file that comes in chunks. */
export interface BvhReader {
  /** Takes the next bytes; they may end anywhere, also within a number. Throws like `parseBvh`. */
  push(chunk: Uint8Array): void;
  /** Ends the file. Call once. Throws like `parseBvh`. */
  finish(): BvhFile;
}

/**
 * Reads a BVH file: one take a ROOT, in file space and file units.
 *
 * Every value equals what `parseFloat` makes of it, in Float64, before it becomes a rotation. Copes with any channel
 * order and case, 1, 2, 3 or 6 channels on any joint, several ROOTs and End Sites, frames broken over lines or sharing
 * one, a wrong `Frames:` count, CR, LF and CRLF, a BOM, exponents. Allocates for the values that are there, not for
 * those announced.
 *
 * Notes: `BVH_FRAME_RATE`, `BVH_FRAME_TIME`, `BVH_FRAME_COUNT`, `BVH_FRAMES_WRAPPED`, `BVH_NO_MOTION`,
 * `BVH_NO_CHANNELS`, `BVH_NO_NAME`, `BVH_ROOTS`, `BVH_NAME_ENCODING`, `BVH_ZERO_POSITIONS`.
 *
 * @throws RigproofError with line and column: `BVH_EMPTY`, `BVH_NOT_TEXT`, `BVH_NOT_BVH`, `BVH_ENCODING`,
 *   `BVH_STRUCTURE`, `BVH_BRACES`, `BVH_TRUNCATED`, `BVH_NO_ROOT`, `BVH_OFFSET`, `BVH_CHANNEL`, `BVH_CHANNEL_COUNT`,
 *   `BVH_JOINT_COUNT`, `BVH_FRAMES`, `BVH_FRAME_TIME`, `BVH_VALUE`, `BVH_NOT_FINITE`, `BVH_VALUE_COUNT`.
 */
export function parseBvh(bytes: Uint8Array, name: string): BvhFile {
  const reader = new ChunkReader(name, {});
  reader.push(bytes);
  return reader.finish();
}

/** A reader for a file that comes in chunks: a stream, a large file, a live source. */
export function createBvhReader(name: string, options: BvhReaderOptions = {}): BvhReader {
  return new ChunkReader(name, options);
}

class ChunkReader implements BvhReader {
  private readonly file: string;
  private readonly options: BvhReaderOptions;
  private readonly notes: Note[] = [];
  private motion: MotionReader | null = null;
  /** Bytes of the header so far. */
  private head = new Uint8Array(0);
  private headLength = 0;
  /** The number that the last chunk ended in. */
  private cut = new Uint8Array(TOKEN_LIMIT + 1);
  private cutLength = 0;
  /** Bytes of the file before the present chunk. */
  private offset = 0;

  constructor(file: string, options: BvhReaderOptions) {
    this.file = file;
    this.options = options;
  }

  push(chunk: Uint8Array): void {
    let at = 0;
    for (let block = HEADER_BLOCK; !this.motion && at < chunk.length; block *= 2) {
      at = this.pushHeader(chunk, at, Math.min(chunk.length, at + block));
    }
    if (this.motion) this.pushFrames(this.motion, chunk, at);
    this.offset += chunk.length;
  }

  finish(): BvhFile {
    const motion = this.motion ?? this.startWithRest();
    if (this.cutLength > 0) {
      this.cut[this.cutLength] = 10;
      motion.read(this.cut, 0, this.cutLength + 1, this.offset - this.cutLength);
    }
    const takes = motion.finish();
    return { name: this.file, takes, notes: [...this.notes, ...motion.notes] };
  }

  /** Reads a file whose header did not end where `FRAME_TIME` looks for it: none, or one with a wide gap in the label. */
  private startWithRest(): MotionReader {
    const bytes = this.head.subarray(0, this.headLength);
    const motion = this.startMotion(bytes, this.offset);
    const rest = new TextEncoder().encode(decodeText(bytes, this.file).text.slice(motion.header.end));
    this.pushFrames(motion, rest, 0);
    this.offset += rest.length;
    return motion;
  }

  /** Keeps bytes until the header is whole; returns where in the chunk the frames begin, or `end`. */
  private pushHeader(chunk: Uint8Array, at: number, end: number): number {
    const length = this.headLength + end - at;
    if (length > this.head.length) {
      const larger = new Uint8Array(Math.max(length, this.head.length * 2));
      larger.set(this.head.subarray(0, this.headLength));
      this.head = larger;
    }
    this.head.set(chunk.subarray(at, end), this.headLength);
    const from = Math.max(0, this.headLength - FRAME_TIME_MAX);
    const isFirst = this.headLength < TOKEN_LIMIT && length >= TOKEN_LIMIT;
    const tail = latin1(this.head.subarray(from, length));
    // A search that begins within a line may not take its middle for a beginning.
    const match = FRAME_TIME.exec(from === 0 ? tail : `x${tail.slice(1)}`);
    const before = this.headLength;
    this.headLength = length;
    if (match) {
      const headerEnd = from + match.index + match[0].length;
      this.startMotion(this.head.subarray(0, headerEnd), headerEnd);
      this.head = new Uint8Array(0);
      return at + headerEnd - before;
    }
    if (isFirst) checkStart(decodeText(this.head.subarray(0, TOKEN_LIMIT), this.file).text, this.file);
    if (length > HEADER_LIMIT) {
      const message = `Expected 'Frame Time:' within the first ${HEADER_LIMIT >> 20} MiB, found none.`;
      throw new RigproofError('BVH_TRUNCATED', message, { file: this.file }, { hint: 'This is no whole BVH file.' });
    }
    return end;
  }

  private startMotion(bytes: Uint8Array, base: number): MotionReader {
    const { text, isUtf8 } = decodeText(bytes, this.file);
    const header = parseHeader(text, this.file);
    if (!isUtf8) {
      this.note('BVH_NAME_ENCODING', 'warning', 'Joint names are not UTF-8; they are read as Windows-1252 (Latin).');
    }
    this.notes.push(...header.notes);
    const motion = new MotionReader(this.file, header, base, this.options);
    this.motion = motion;
    this.options.onHierarchy?.(
      motion.takes.map(({ skeleton }) => skeleton),
      header.frameDuration,
    );
    return motion;
  }

  private pushFrames(motion: MotionReader, chunk: Uint8Array, from: number): void {
    for (let at = from; at < chunk.length; at += PIECE) {
      this.pushPiece(motion, chunk, at, Math.min(at + PIECE, chunk.length));
    }
  }

  private pushPiece(motion: MotionReader, chunk: Uint8Array, from: number, to: number): void {
    let at = from;
    if (this.cutLength > 0) {
      while (at < to && !isBlank(chunk[at]!)) this.keepCut(chunk[at++]!);
      if (at === to) return;
      this.cut[this.cutLength] = chunk[at]!;
      const base = this.offset + at - this.cutLength;
      motion.read(this.cut, 0, this.cutLength + 1, base);
      at++;
      this.cutLength = 0;
    }
    let end = to;
    while (end > at && !isBlank(chunk[end - 1]!)) end--;
    if (end > at) motion.read(chunk, at, end, this.offset);
    for (let k = end; k < to; k++) this.keepCut(chunk[k]!);
  }

  private keepCut(byte: number): void {
    if (this.cutLength >= TOKEN_LIMIT) {
      const { scanner } = this.motion!;
      throw new RigproofError(
        'BVH_VALUE',
        `Expected a number, got more than ${TOKEN_LIMIT} characters without a blank.`,
        { file: this.file, line: scanner.line, frame: scanner.frames },
        { hint: 'Nothing but numbers may stand below Frame Time.' },
      );
    }
    this.cut[this.cutLength++] = byte;
  }

  private note(code: string, severity: Note['severity'], message: string): void {
    this.notes.push({ code, severity, message, place: { file: this.file } });
  }
}

function latin1(bytes: Uint8Array): string {
  return new TextDecoder('windows-1252').decode(bytes);
}

/** UTF-8 where it is that, else Windows-1252: names are labels, and a wrong letter in one harms no motion. */
function decodeText(bytes: Uint8Array, file: string): { text: string; isUtf8: boolean } {
  if ((bytes[0] === 0xff && bytes[1] === 0xfe) || (bytes[0] === 0xfe && bytes[1] === 0xff)) {
    throw new RigproofError(
      'BVH_ENCODING',
      'Expected UTF-8 or Latin text, got UTF-16.',
      { file, line: 1, column: 1 },
      { hint: 'Save the file as UTF-8.' },
    );
  }
  try {
    return { text: new TextDecoder('utf-8', { fatal: true }).decode(bytes), isUtf8: true };
  } catch {
    return { text: latin1(bytes), isUtf8: false };
  }
}
