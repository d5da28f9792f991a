import { type Note, RigproofError } from '../../errors.ts';
import type { Clip } from '../../skeleton/clip.ts';
import { buildSkeleton, type Skeleton } from '../../skeleton/skeleton.ts';
import type { BvhChannel, BvhFrame, BvhReaderOptions, BvhTake } from './bvh-file.ts';
import { compileDecode, type DecodePlan, decodeRotations, decodeTranslations } from './decoder.ts';
import { inferFrameRate } from './frame-rate.ts';
import type { BvhHeader, BvhNode } from './header.ts';
import { type FrameKernel, frameKernel } from './kernel.ts';
import { ValueScanner } from './scanner.ts';

/** What is shorter is read before a kernel has been told how. */
const KERNEL_BYTES = 2048;
/** Frames that a stream makes room for at first. */
const FIRST_FRAMES = 64;

/** The frames of one take as they grow. */
interface GrowingTake {
  skeleton: Skeleton;
  channels: BvhChannel[][];
  plan: DecodePlan;
  rotations: Float32Array;
  translations: Float32Array;
}

/** The frames of a file: reads them block by block into takes, one a ROOT. */
export class MotionReader {
  readonly header: BvhHeader;
  readonly scanner: ValueScanner;
  readonly takes: readonly GrowingTake[];
  readonly notes: Note[] = [];
  private readonly file: string;
  private readonly options: BvhReaderOptions;
  private readonly frame: BvhFrame;
  /** Whether a kernel can read it: all joints turn about different axes, and nobody waits for single frames. */
  private readonly isPlain: boolean;
  /** Frames that there is room for. */
  private capacity = 0;

  /** @param base  offset in the file of the first byte below the header */
  constructor(file: string, header: BvhHeader, base: number, options: BvhReaderOptions) {
    this.file = file;
    this.header = header;
    this.options = options;
    const skeletons = header.roots.map((root) => buildSkeleton([root]));
    const joints: BvhNode[] = skeletons.flatMap(({ order }) => order);
    const channelCount = joints.reduce((count, { channels }) => count + channels.length, 0);
    let value = 0;
    this.takes = skeletons.map(({ skeleton, order }) => {
      const { plan, nextValue } = compileDecode(order, value, channelCount);
      value = nextValue;
      const channels = order.map((joint) => joint.channels);
      return { skeleton, channels, plan, rotations: new Float32Array(0), translations: new Float32Array(0) };
    });
    this.scanner = new ValueScanner(this.file, channelCount, header.line, header.column, base);
    this.frame = {
      index: -1,
      values: this.scanner.values.subarray(0, channelCount),
      rotations: this.takes.map(({ plan }) => new Float32Array(plan.jointCount * 4)),
      translations: this.takes.map(({ plan }) => new Float32Array(plan.offsets.length)),
    };
    this.isPlain = channelCount > 0 && !options.onFrame && this.takes.every(({ plan }) => plan.general.length === 0);
  }

  /** Reads the frames in bytes[at … end), of which the last must be blank. */
  read(bytes: Uint8Array, at: number, end: number, base: number): void {
    const { scanner } = this;
    scanner.setBlock(bytes, at, base);
    const kernel = this.isPlain && end - at >= KERNEL_BYTES ? frameKernel() : null;
    kernel?.begin(
      scanner,
      bytes,
      end,
      this.takes.map(({ plan }) => plan),
    );
    do {
      if (kernel) this.readPlainFrames(kernel, bytes);
      if (!scanner.readFrame(end)) return;
      this.makeRoom(bytes);
      this.decodeFrame();
    } while (scanner.at < end);
  }

  /** Reads frames up to the end of the block or to something out of the ordinary, for the scanner to go on with. */
  private readPlainFrames(kernel: FrameKernel, bytes: Uint8Array): void {
    const { scanner, takes } = this;
    for (let count = kernel.readFrames(); count > 0; count = kernel.readFrames()) {
      this.makeRoom(bytes);
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
  private makeRoom(bytes: Uint8Array): void {
    const { scanner, header, capacity } = this;
    if (scanner.frames <= capacity) return;
    const needed = this.options.keepFrames === false ? 1 : 2 * scanner.channelCount;
    // Two bytes a value is the least there can be: what is announced beyond that is not there.
    const present = Math.ceil((bytes.length - scanner.at) / needed) + 1;
    const expected = scanner.frames + Math.min(header.declaredFrames - scanner.frames, present);
    this.grow(Math.max(expected, scanner.frames, capacity * 2, FIRST_FRAMES));
  }

  private grow(wanted: number): void {
    const capacity = this.options.keepFrames === false ? Number.MAX_SAFE_INTEGER : wanted;
    const room = this.options.keepFrames === false ? 1 : wanted;
    for (const take of this.takes) {
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
    this.capacity = capacity;
  }

  private decodeFrame(): void {
    const { scanner, takes, frame } = this;
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

  /** The whole motion. Throws when the last frame is not whole; fills `notes`. */
  finish(): BvhTake[] {
    this.checkLastFrame();
    const takes = this.takes.map((take) => this.finishTake(take));
    for (const { skeleton, clip } of takes) this.keepOffsets(skeleton, clip);
    this.noteFrames();
    return takes;
  }

  private checkLastFrame(): void {
    const { scanner, header } = this;
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

  private finishTake(take: GrowingTake): BvhTake {
    const { header, scanner } = this;
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

  private noteFrames(): void {
    const { header, scanner } = this;
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
