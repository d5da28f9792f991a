import { RigproofError } from '../../errors.ts';
import { align4 } from './assemble-glb.ts';
import type { KeyWork } from './key-work.ts';
import { type KeyBytes, storeFloats } from './store-keys.ts';

/** How an animation is stored. */
export interface EncodeOptions {
  /** Writes a key at every frame instead of reducing to the tolerances. */
  keepAllKeys: boolean;
  /** Radians between what plays and the motion, at any frame and joint, storage included. */
  rotationTolerance: number;
  /** The same for translations, in file units, measured in the file's space. */
  translationTolerance: number;
  /**
   * How rotations are stored. `int16`: normalised 16-bit integers, core glTF 2.0 (section 3.11), half the bytes, off by
   * at most `INT16_ROTATION_ERROR`.
   */
  quantise: 'float32' | 'int16';
}

/** 0.05 degree; 0.1 mm for a file in metres: hand in 0.0001 / metresPerUnit for any other. */
export const ENCODE_DEFAULTS: EncodeOptions = {
  keepAllKeys: false,
  rotationTolerance: (0.05 * Math.PI) / 180,
  translationTolerance: 0.0001,
  quantise: 'float32',
};

/**
 * Radians (0.0035 degree). Each of four components is off by at most half a step of 1 / 32767, so the quaternion by one
 * step, and the rotation turns by twice what its quaternion does.
 */
export const INT16_ROTATION_ERROR = 2 / 32767;

/** Radians: as above with half a step of 2⁻²⁴ (components below 1). */
const FLOAT32_ROTATION_ERROR = 2 ** -23;

/**
 * Between two keys that turn by 120 degrees (the most that the reduction lets a line turn) errors of both keys grow by
 * 1 / cos(30°) on the way: the Jacobi field of the sphere of unit quaternions.
 */
const BETWEEN_KEYS = 1.16;

/** Radians: two rotations that differ by less are one; Float32 copies differ by up to 2.4e-7. */
const SAME_ROTATION = 1e-6;

/** One property of one node over time. */
export interface SourceChannel {
  /** glTF node index. */
  node: number;
  path: 'rotation' | 'translation';
  /** frameCount × 4 (xyzw, unit, successive ones with dot ≥ 0) or × 3; one single element means that it never changes. */
  values: Float64Array;
  /** What the node itself has, from `restAt` on: a channel that never leaves it by more than the tolerance is left out. */
  rest: ArrayLike<number>;
  restAt: number;
  /** Largest error in the unit of the values: radians, or node units. */
  tolerance: number;
}

interface EncodedAccessor {
  byteOffset: number;
  componentType: 5122 | 5126;
  normalized?: true;
  count: number;
  type: 'SCALAR' | 'VEC3' | 'VEC4';
  min?: [number];
  max?: [number];
}

/** An animation ready to be put into any document: `byteOffset` counts from the start of `bytes`, indices are its own. */
export interface EncodedAnimation {
  name: string;
  extras: unknown;
  /** A multiple of four long. */
  bytes: Uint8Array;
  accessors: EncodedAccessor[];
  /** Channel and sampler in one: a sampler serves one channel. */
  channels: { node: number; path: SourceChannel['path']; input: number; output: number }[];
  frameCount: number;
  /** Keys of all channels together. */
  keyCount: number;
}

/**
 * Collects channels one by one and lays them out in one block of bytes. Times that several channels share are stored
 * once: those of all frames, of the first frame alone, and of the first and the last.
 *
 * A channel whose reduced keys, with times of their own, take as many bytes as all frames with the shared times keeps
 * all frames: never larger and nearer to the motion. Reduced keys alone took 241 bytes a frame on a walk at 30 Hz
 * (27 joints, int16, 0.05 degree); with this choice 184.
 */
export class AnimationEncoder {
  readonly #options: EncodeOptions;
  readonly #frameCount: number;
  readonly #frameDuration: number;
  readonly #work: KeyWork;
  #room: KeyBytes;
  #length = 0;
  #keyCount = 0;
  readonly #accessors: EncodedAccessor[] = [];
  readonly #channels: EncodedAnimation['channels'] = [];
  /** Accessor index of shared times: of all frames, of the first frame, of first and last. */
  #allTimes = -1;
  #firstTime = -1;
  #endTimes = -1;
  /** Whether some channel reaches to the last frame, so that the animation has the length of the clip. */
  #isFullLength = false;
  /** Channels that hold one value, which is not that of the node. */
  readonly #constants: SourceChannel[] = [];
  /** The first channel that was left out. */
  #leftOut: SourceChannel | undefined;

  /**
   * @param work  of the clip whose channels are added
   * @throws RigproofError `GLTF_TOLERANCE` when the tolerance cannot be kept with the storage asked for
   */
  constructor(frameCount: number, frameDuration: number, options: EncodeOptions, work: KeyWork) {
    const { rotationTolerance, translationTolerance, quantise, keepAllKeys } = options;
    if (!(rotationTolerance >= 0) || !(translationTolerance >= 0)) {
      throw new RigproofError(
        'GLTF_TOLERANCE',
        `Key tolerances are ${rotationTolerance} rad and ${translationTolerance}; expected 0 or more.`,
        {},
        { hint: 'Give tolerances in degrees and millimetres that are not negative, or keep all keys.' },
      );
    }
    if (quantise === 'int16' && !keepAllKeys && rotationTolerance < INT16_ROTATION_ERROR) {
      throw new RigproofError(
        'GLTF_TOLERANCE',
        `A rotation tolerance of ${degrees(rotationTolerance)} degree cannot be kept with 16-bit rotations, which alone are off by up to ${degrees(INT16_ROTATION_ERROR)}.`,
        {},
        { hint: 'Allow at least 0.0035 degree, or store rotations as 32-bit floats.' },
      );
    }
    this.#options = options;
    this.#frameCount = frameCount;
    this.#frameDuration = frameDuration;
    this.#work = work;
    this.#room = takeRoom(frameCount);
  }

  /** Adds a channel, or leaves it out when it only says what the node itself has. The values are not kept. */
  add(channel: SourceChannel): void {
    const { values, path } = channel;
    const width = path === 'rotation' ? 4 : 3;
    const tolerance = this.#tolerance(channel);
    const frameCount = values.length / width;
    if (staysNear(values, width, channel.rest, channel.restAt, tolerance)) {
      this.#leftOut ??= { ...channel, values: values.slice(0, width) };
      return;
    }
    if (frameCount === 1 || staysNear(values, width, values, 0, tolerance)) {
      this.#constants.push({ ...channel, values: values.slice(0, width) });
      return;
    }
    this.#isFullLength = true;
    if (!this.#options.keepAllKeys) {
      const elementSize = width === 4 && this.#options.quantise === 'int16' ? 8 : width * 4;
      const enough = Math.floor((frameCount * elementSize) / (elementSize + 4));
      const keyCount = this.#work.reduce(values, frameCount, width, tolerance, enough);
      if (keyCount * (elementSize + 4) < frameCount * elementSize) {
        const { keyFrames, keyValues } = this.#work;
        const times = keyCount === 2 ? this.#timesOfEnds() : this.#times(keyFrames, keyCount);
        this.#put(channel, times, keyValues, keyCount);
        return;
      }
    }
    this.#put(channel, this.#timesOfAll(), values, frameCount);
  }

  /**
   * The finished animation. glTF wants at least one channel, and a clip that holds still has a length too: where no
   * channel reaches to the last frame, one is held to the end. Nothing can be added afterwards.
   */
  finish(name: string, extras?: unknown): EncodedAnimation {
    const held = this.#isFullLength || this.#frameCount < 2 ? undefined : (this.#constants[0] ?? this.#leftOut);
    if (this.#channels.length === 0 && this.#constants.length === 0 && this.#leftOut) {
      this.#constants.push(this.#leftOut);
    }
    for (const channel of this.#constants) {
      if (channel === held) {
        const twice = Float64Array.from([...channel.values, ...channel.values]);
        this.#put(channel, this.#timesOfEnds(), twice, 2);
      } else this.#put(channel, this.#timesOfFirst(), channel.values, 1);
    }
    const bytes = this.#room.bytes.slice(0, this.#length);
    spare = this.#room;
    return {
      name,
      extras,
      bytes,
      accessors: this.#accessors,
      channels: this.#channels,
      frameCount: this.#frameCount,
      keyCount: this.#keyCount,
    };
  }

  /** What of the tolerance is left for the reduction once storage has taken its part. */
  #tolerance({ path, values, tolerance }: SourceChannel): number {
    const { keepAllKeys, quantise } = this.#options;
    if (path === 'rotation') {
      if (keepAllKeys) return SAME_ROTATION;
      const storage = quantise === 'int16' ? INT16_ROTATION_ERROR : FLOAT32_ROTATION_ERROR;
      return Math.max(0, tolerance - storage * BETWEEN_KEYS);
    }
    let largest = 0;
    for (let i = 0; i < values.length; i++) largest = Math.max(largest, Math.abs(values[i]!));
    // Half a step of Float32 in each of three components.
    const storage = largest * 2 ** -24 * Math.sqrt(3);
    return keepAllKeys ? 4 * storage : Math.max(0, tolerance - storage);
  }

  #timesOfAll(): number {
    if (this.#allTimes < 0) this.#allTimes = this.#times(null, this.#frameCount);
    return this.#allTimes;
  }

  #timesOfFirst(): number {
    if (this.#firstTime < 0) this.#firstTime = this.#times(null, 1);
    return this.#firstTime;
  }

  #timesOfEnds(): number {
    if (this.#endTimes < 0) this.#endTimes = this.#times(Int32Array.of(0, this.#frameCount - 1), 2);
    return this.#endTimes;
  }

  #times(frames: Int32Array | null, count: number): number {
    const start = this.#reserve(count * 4);
    const { floats } = this.#room;
    const first = start / 4;
    for (let k = 0; k < count; k++) floats[first + k] = (frames ? frames[k]! : k) * this.#frameDuration;
    const last = floats[first + count - 1]!;
    return (
      this.#accessors.push({
        byteOffset: start,
        componentType: 5126,
        count,
        type: 'SCALAR',
        min: [0],
        max: [last],
      }) - 1
    );
  }

  #put(channel: SourceChannel, input: number, values: Float64Array, count: number): void {
    const isRotation = channel.path === 'rotation';
    const width = isRotation ? 4 : 3;
    const isShort = isRotation && this.#options.quantise === 'int16';
    const start = this.#reserve(count * width * (isShort ? 2 : 4));
    if (isRotation) this.#work.store(values, count, isShort, this.#room, start);
    else storeFloats(values, count * 3, 3, this.#room.floats, start / 4);
    const accessor: EncodedAccessor = {
      byteOffset: start,
      componentType: isShort ? 5122 : 5126,
      count,
      type: isRotation ? 'VEC4' : 'VEC3',
    };
    if (isShort) accessor.normalized = true;
    const output = this.#accessors.push(accessor) - 1;
    this.#channels.push({ node: channel.node, path: channel.path, input, output });
    this.#keyCount += count;
  }

  /** Makes room and returns the offset of the new bytes, a multiple of four: every element here is one long. */
  #reserve(byteLength: number): number {
    const start = this.#length;
    this.#length += byteLength;
    if (this.#length > this.#room.bytes.length) {
      const { bytes } = this.#room;
      const grown = new Uint8Array(align4(Math.max(this.#length, bytes.length * 2)));
      grown.set(bytes.subarray(0, start));
      this.#room = viewsOf(grown);
    }
    return start;
  }
}

/**
 * Where the last encoder that has finished stored its keys: the next one takes it away, so that no two ever share it.
 * Fresh memory that grows took a fifth of the encoding.
 */
let spare: KeyBytes | undefined;

function takeRoom(frameCount: number): KeyBytes {
  const room = spare ?? viewsOf(new Uint8Array(frameCount * 360 + 1024));
  spare = undefined;
  return room;
}

function viewsOf(bytes: Uint8Array<ArrayBuffer>): KeyBytes {
  return { bytes, floats: new Float32Array(bytes.buffer), shorts: new Int16Array(bytes.buffer) };
}

/** Whether every element is within the tolerance of the one at `r` of `reference`. */
function staysNear(
  values: Float64Array,
  width: 3 | 4,
  reference: ArrayLike<number>,
  r: number,
  tolerance: number,
): boolean {
  const x = reference[r]!;
  const y = reference[r + 1]!;
  const z = reference[r + 2]!;
  if (width === 3) {
    const limit = tolerance * tolerance;
    for (let at = 0; at < values.length; at += 3) {
      const dx = values[at]! - x;
      const dy = values[at + 1]! - y;
      const dz = values[at + 2]! - z;
      if (dx * dx + dy * dy + dz * dz > limit) return false;
    }
    return true;
  }
  const w = reference[r + 3]!;
  // |xyz| of the relative rotation is the sine of half its angle.
  const sine = Math.sin(Math.min(tolerance, Math.PI) / 2);
  const limit = sine * sine;
  for (let at = 0; at < values.length; at += 4) {
    const qx = values[at]!;
    const qy = values[at + 1]!;
    const qz = values[at + 2]!;
    const qw = values[at + 3]!;
    const rx = w * qx - x * qw - y * qz + z * qy;
    const ry = w * qy + x * qz - y * qw - z * qx;
    const rz = w * qz - x * qy + y * qx - z * qw;
    if (rx * rx + ry * ry + rz * rz > limit) return false;
  }
  return true;
}

function degrees(radians: number): string {
  return ((radians * 180) / Math.PI).toFixed(4);
}
