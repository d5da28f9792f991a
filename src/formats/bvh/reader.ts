import { type Note, RigproofError } from '../../errors.ts';
import type { Clip } from '../../skeleton/clip.ts';
import { buildSkeleton, type Skeleton } from '../../skeleton/skeleton.ts';
import type { BvhChannel, BvhFile, BvhTake } from './bvh-file.ts';
import { compileDecode, type DecodePlan, decodeRotations, decodeTranslations } from './decoder.ts';
import { inferFrameRate } from './frame-rate.ts';
import { type BvhHeader, type BvhNode, checkStart, parseHeader } from './header.ts';
import { type FrameKernel, frameKernel, PIECE } from './kernel.ts';
import { isBlank, ValueScanner } from './scanner.ts';

/** A hierarchy is searched for in blocks of this many bytes, so that the frames are not decoded as text. */
const HEADER_BLOCK = 32 * 1024;
/** 32,767 joints of 200 bytes fit twice. */
const HEADER_LIMIT = 16 * 1024 * 1024;
/** A number that is longer is none; nor is the label before it. */
const TOKEN_LIMIT = 1024;
/** What is shorter is read before a kernel has been told how. */
const KERNEL_BYTES = 2048;
/** Frames that a stream makes room for at first. */
const FIRST_FRAMES = 64;
/** The end of the header. Blanks are bounded, so that the end is found alike wherever chunks are split. */
const FRAME_TIME = /(?<=^|\s)Frame[ \t]{0,64}Time[ \t]{0,64}:[ \t\r\n]{0,64}\S{1,64}(?=[ \t\r\n])/im;
const FRAME_TIME_MAX = 512;

/** A frame as it comes in, of every take in order. The arrays are reused: copy what is to be kept. */
export interface BvhFrame {
  /** From 0. */
  index: number;
  /** Channel values in file order: degrees and file units, as `parseFloat` reads them. */
  values: Float64Array;
  /** Local rotations, xyzw, jointCount × 4, one array a take. */
  rotations: Float32Array[];
  /** Translations of the take's `translationJoints`, × 3, one array a take. */
  translations: Float32Array[];
}

export interface BvhReaderOptions {
  /** Called once, when the hierarchy is complete and before any frame. */
  onHierarchy?: (skeletons: readonly Skeleton[], frameDuration: number) => void;
  /** Called for each frame as soon as its last number is complete. */
  onFrame?: (frame: BvhFrame) => void;
  /** false: only `onFrame` gets the frames, the result has none, and memory stays constant. Default true. */
  keepFrames?: boolean;
}

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

/** The frames of one take as they grow. */
interface GrowingTake {
  skeleton: Skeleton;
  channels: BvhChannel[][];
  plan: DecodePlan;
  rotations: Float32Array;
  translations: Float32Array;
}

/** What exists once the hierarchy is known. */
interface Motion {
  header: BvhHeader;
  scanner: ValueScanner;
  takes: GrowingTake[];
  capacity: number;
  frame: BvhFrame;
  /** Whether a kernel can read it: all joints turn about different axes, and nobody waits for single frames. */
  isPlain: boolean;
}

class ChunkReader implements BvhReader {
  private readonly file: string;
  private readonly options: BvhReaderOptions;
  private readonly notes: Note[] = [];
  private motion: Motion | null = null;
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
      this.readFrames(motion, this.cut, 0, this.cutLength + 1, this.offset - this.cutLength);
    }
    this.checkLastFrame(motion);
    const takes = motion.takes.map((take) => this.finishTake(motion, take));
    for (const { skeleton, clip } of takes) this.keepOffsets(skeleton, clip);
    this.noteFrames(motion);
    return { name: this.file, takes, notes: this.notes };
  }

  /** Reads a file whose header did not end where `FRAME_TIME` looks for it: none, or one with a wide gap in the label. */
  private startWithRest(): Motion {
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

  private startMotion(bytes: Uint8Array, base: number): Motion {
    const { text, isUtf8 } = decodeText(bytes, this.file);
    const header = parseHeader(text, this.file);
    if (!isUtf8) {
      this.note('BVH_NAME_ENCODING', 'warning', 'Joint names are not UTF-8; they are read as Windows-1252 (Latin).');
    }
    this.notes.push(...header.notes);
    const skeletons = header.roots.map((root) => buildSkeleton([root]));
    const joints: BvhNode[] = skeletons.flatMap(({ order }) => order);
    const channelCount = joints.reduce((count, { channels }) => count + channels.length, 0);
    let value = 0;
    const takes = skeletons.map(({ skeleton, order }) => {
      const { plan, nextValue } = compileDecode(order, value, channelCount);
      value = nextValue;
      const channels = order.map((joint) => joint.channels);
      return { skeleton, channels, plan, rotations: new Float32Array(0), translations: new Float32Array(0) };
    });
    const scanner = new ValueScanner(this.file, channelCount, header.line, header.column, base);
    const frame = {
      index: -1,
      values: scanner.values.subarray(0, channelCount),
      rotations: takes.map(({ plan }) => new Float32Array(plan.jointCount * 4)),
      translations: takes.map(({ plan }) => new Float32Array(plan.offsets.length)),
    };
    const isPlain = channelCount > 0 && !this.options.onFrame && takes.every(({ plan }) => plan.general.length === 0);
    const motion = { header, scanner, takes, capacity: 0, frame, isPlain };
    this.motion = motion;
    this.options.onHierarchy?.(
      takes.map(({ skeleton }) => skeleton),
      header.frameDuration,
    );
    return motion;
  }

  private pushFrames(motion: Motion, chunk: Uint8Array, from: number): void {
    for (let at = from; at < chunk.length; at += PIECE) {
      this.pushPiece(motion, chunk, at, Math.min(at + PIECE, chunk.length));
    }
  }

  private pushPiece(motion: Motion, chunk: Uint8Array, from: number, to: number): void {
    let at = from;
    if (this.cutLength > 0) {
      while (at < to && !isBlank(chunk[at]!)) this.keepCut(chunk[at++]!);
      if (at === to) return;
      this.cut[this.cutLength] = chunk[at]!;
      const base = this.offset + at - this.cutLength;
      this.readFrames(motion, this.cut, 0, this.cutLength + 1, base);
      at++;
      this.cutLength = 0;
    }
    let end = to;
    while (end > at && !isBlank(chunk[end - 1]!)) end--;
    if (end > at) this.readFrames(motion, chunk, at, end, this.offset);
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

  /** Reads the frames in bytes[at … end), of which the last must be blank. */
  private readFrames(motion: Motion, bytes: Uint8Array, at: number, end: number, base: number): void {
    const { scanner } = motion;
    scanner.setBlock(bytes, at, base);
    const kernel = motion.isPlain && end - at >= KERNEL_BYTES ? frameKernel() : null;
    do {
      if (kernel) this.readPlainFrames(motion, kernel, bytes, end);
      if (!scanner.readFrame(end)) return;
      this.makeRoom(motion, bytes);
      this.decodeFrame(motion);
    } while (scanner.at < end);
  }

  /** Reads frames up to `end` or to something out of the ordinary, for the scanner to go on with. */
  private readPlainFrames(motion: Motion, kernel: FrameKernel, bytes: Uint8Array, end: number): void {
    const { scanner, takes } = motion;
    kernel.begin(
      scanner,
      bytes,
      end,
      takes.map(({ plan }) => plan),
    );
    for (let count = kernel.readFrames(); count > 0; count = kernel.readFrames()) {
      this.makeRoom(motion, bytes);
      const first = scanner.frames - count;
      takes.forEach((take, t) => {
        const { plan, rotations, translations } = take;
        const size = plan.jointCount * 4;
        const before = first === 0 ? null : rotations.subarray((first - 1) * size, first * size);
        rotations.set(kernel.decode(t, count, before), first * size);
        const moved = plan.offsets.length;
        for (let f = 0; f < count; f++) {
          const from = kernel.rowsAt + f * kernel.stride;
          decodeTranslations(plan, kernel.values, from, translations, (first + f) * moved);
        }
      });
    }
  }

  /** Makes room for the frames read so far, and for those that may follow in the block. */
  private makeRoom(motion: Motion, bytes: Uint8Array): void {
    const { scanner, header, capacity } = motion;
    if (scanner.frames <= capacity) return;
    const needed = this.options.keepFrames === false ? 1 : 2 * scanner.channelCount;
    // Two bytes a value is the least there can be: what is announced beyond that is not there.
    const present = Math.ceil((bytes.length - scanner.at) / needed) + 1;
    const expected = scanner.frames + Math.min(header.declaredFrames - scanner.frames, present);
    this.grow(motion, Math.max(expected, scanner.frames, capacity * 2, FIRST_FRAMES));
  }

  private grow(motion: Motion, wanted: number): void {
    const capacity = this.options.keepFrames === false ? Number.MAX_SAFE_INTEGER : wanted;
    const room = this.options.keepFrames === false ? 1 : wanted;
    for (const take of motion.takes) {
      const { plan, rotations, translations } = take;
      take.rotations = new Float32Array(room * plan.jointCount * 4);
      take.rotations.set(rotations);
      if (plan.turned.length + plan.general.length < plan.jointCount) {
        // Joints without rotation channels are never written again.
        for (let w = rotations.length + 3; w < take.rotations.length; w += 4) take.rotations[w] = 1;
      }
      take.translations = new Float32Array(room * plan.offsets.length);
      take.translations.set(translations);
    }
    motion.capacity = capacity;
  }

  private decodeFrame({ scanner, takes, frame }: Motion): void {
    const { onFrame, keepFrames } = this.options;
    const f = scanner.frames - 1;
    const slot = keepFrames === false ? 0 : f;
    for (const { plan, rotations, translations } of takes) {
      const size = plan.jointCount * 4;
      const previous = f === 0 ? -1 : keepFrames === false ? 0 : (f - 1) * size;
      decodeRotations(plan, scanner.values, rotations, slot * size, previous);
      decodeTranslations(plan, scanner.values, 0, translations, slot * plan.offsets.length);
    }
    if (!onFrame) return;
    frame.index = f;
    takes.forEach(({ rotations, translations }, t) => {
      const r = frame.rotations[t]!;
      const x = frame.translations[t]!;
      r.set(rotations.subarray(slot * r.length, (slot + 1) * r.length));
      x.set(translations.subarray(slot * x.length, (slot + 1) * x.length));
    });
    onFrame(frame);
  }

  private checkLastFrame({ scanner, header }: Motion): void {
    const { filled, channelCount, frames, line, brokenLine } = scanner;
    if (filled === 0 || filled === channelCount) return;
    const first =
      brokenLine && brokenLine.frame < frames
        ? ` The first line that does not end with a frame is line ${brokenLine.line} (value ${brokenLine.count} of ${channelCount} in frame ${brokenLine.frame}).`
        : '';
    throw new RigproofError(
      'BVH_VALUE_COUNT',
      `Frame ${frames} has ${filled} values, but the hierarchy declares ${channelCount} channels.${first}`,
      { file: this.file, line: brokenLine?.frame === frames ? brokenLine.line : line, frame: frames },
      {
        hint:
          frames < header.declaredFrames
            ? 'The file seems cut short, or a line of it: export or copy it again.'
            : 'A value is missing or one too many in some line.',
      },
    );
  }

  private finishTake({ header, scanner }: Motion, take: GrowingTake): BvhTake {
    const { skeleton, channels, plan } = take;
    const frameCount = this.options.keepFrames === false ? 0 : scanner.frames;
    const rotationCount = frameCount * plan.jointCount * 4;
    const translationCount = frameCount * plan.offsets.length;
    const base = this.file.replace(/^.*[/\\]/, '').replace(/\.bvh$/i, '');
    const clip = {
      name: header.roots.length > 1 ? `${base} ${skeleton.names[0]}` : base,
      frameCount,
      frameDuration: header.frameDuration,
      jointCount: plan.jointCount,
      rotations: trim(take.rotations, rotationCount),
      translationJoints: plan.translationJoints,
      translations: trim(take.translations, translationCount),
    };
    return { skeleton, clip, channels };
  }

  /**
   * Some exporters give inner joints position channels and fill them with zeros, meaning 'no change'. Read by the rule
   * that positions replace the OFFSET, such a figure would collapse into its root.
   */
  private keepOffsets(skeleton: Skeleton, { translationJoints, translations, frameCount }: Clip): void {
    if (frameCount === 0) return;
    const kept: string[] = [];
    const stride = translationJoints.length * 3;
    translationJoints.forEach((joint, m) => {
      const offset = skeleton.restTranslations.subarray(joint * 3, joint * 3 + 3);
      if (skeleton.parents[joint]! < 0 || offset.every((x) => x === 0)) return;
      for (let at = m * 3; at < translations.length; at += stride) {
        if (translations[at] !== 0 || translations[at + 1] !== 0 || translations[at + 2] !== 0) return;
      }
      for (let at = m * 3; at < translations.length; at += stride) translations.set(offset, at);
      kept.push(skeleton.names[joint]!);
    });
    if (kept.length === 0) return;
    const message = `Position channels of ${kept.join(', ')} are zero throughout; their OFFSETs are kept.`;
    this.note('BVH_ZERO_POSITIONS', 'warning', message);
  }

  private noteFrames({ header, scanner }: Motion): void {
    const { declaredFrames, frameDuration } = header;
    const { frames, brokenLine, channelCount } = scanner;
    if (channelCount === 0) {
      this.note('BVH_NO_CHANNELS', 'warning', 'No joint has a channel: a skeleton with no frames.');
    } else if (declaredFrames !== frames) {
      const message = `Frames: announces ${declaredFrames}, but ${frames} are there; those were read.`;
      this.note('BVH_FRAME_COUNT', 'warning', message);
    }
    if (brokenLine) {
      const message = `Frames and lines do not agree, first in line ${brokenLine.line}; values were read through.`;
      this.note('BVH_FRAMES_WRAPPED', 'info', message);
    }
    const { fps, exact } = inferFrameRate(frameDuration);
    if (!exact) {
      const rounded = Number(fps.toFixed(3));
      const message = `Frame Time ${frameDuration} s has few digits and means ${rounded} fps; times keep the exact value.`;
      this.note('BVH_FRAME_RATE', 'info', message);
    }
  }

  private note(code: string, severity: Note['severity'], message: string): void {
    this.notes.push({ code, severity, message, place: { file: this.file } });
  }
}

/** The first `count` numbers, without what was allocated beyond. */
function trim(array: Float32Array, count: number): Float32Array {
  return array.length === count ? array : array.slice(0, count);
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
