/**
 * World rotations and positions of joints, one array a joint, made when a measure first asks for them. Ways tried (Node 20):
 * - all joints of a frame, then the next frame: the measures look at one joint over all frames, and each had to gather it
 *   from rows of 50 joints again; kinematics of fingers that no measure asks for was paid in every frame;
 * - joint by joint, as here: a measure reads an array from end to end, and what two measures need is made once.
 */
import { mulQuat, rotateAddVec, slerpQuatBy } from '../math/quat.ts';
import { lerpVec } from '../math/vec.ts';
import type { Clip } from '../skeleton/clip.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';
import { type Arena, take } from './arena.ts';

/** Where the joints of a figure are at `frameCount` moments. Arrays that were handed out are shared: read them only. */
export interface JointPaths {
  skeleton: Skeleton;
  clip: Clip;
  frameCount: number;
  /** Between which frames of the clip each moment lies; null where the moments are the clip's own frames. */
  between: Between | null;
  /** The clip's frame of the first moment, where the moments are frames. */
  first: number;
  rotations: (Float64Array | null)[];
  positions: (Float64Array | null)[];
  /** Where arrays are laid out; null where they are to stay. */
  arena: Arena | null;
}

interface Between {
  /** On the frames of the clip that the moments need, from the earliest to the latest. */
  own: JointPaths;
  /** Frame before (or at) each moment, counted from the first of `own`, and how far it lies towards the next. */
  before: Int32Array;
  shares: Float64Array;
}

/** Nearer to a frame than this share of a frame, a moment is that frame. */
const ON_FRAME = 1e-6;

/**
 * Moments `firstFrame + f · step`, in frames of the clip; a moment before the first or after the last frame is that frame.
 * One between two frames is interpolated in world space (positions straight, rotations spherically).
 */
export function createJointPaths(
  skeleton: Skeleton,
  clip: Clip,
  frameCount: number,
  firstFrame: number,
  step: number,
  arena: Arena | null = null,
): JointPaths {
  const create = (between: Between | null, first: number, count = frameCount): JointPaths => ({
    skeleton,
    clip,
    frameCount: count,
    between,
    first,
    rotations: Array<Float64Array | null>(skeleton.jointCount).fill(null),
    positions: Array<Float64Array | null>(skeleton.jointCount).fill(null),
    arena,
  });
  const isOwnFrames = Number.isInteger(firstFrame) && Math.abs(step - 1) * frameCount < ON_FRAME;
  if (isOwnFrames && firstFrame >= 0 && firstFrame + frameCount <= clip.frameCount) return create(null, firstFrame);
  const before = new Int32Array(frameCount);
  const shares = new Float64Array(frameCount);
  let earliest = clip.frameCount - 1;
  let latest = 0;
  for (let f = 0; f < frameCount; f++) {
    const at = Math.min(Math.max(0, firstFrame + f * step), clip.frameCount - 1);
    const low = Math.min(Math.floor(at + ON_FRAME), clip.frameCount - 1);
    const share = at - low;
    before[f] = low;
    shares[f] = share < ON_FRAME || low + 1 >= clip.frameCount ? 0 : share;
    earliest = Math.min(earliest, low);
    latest = Math.max(latest, shares[f]! > 0 ? low + 1 : low);
  }
  for (let f = 0; f < frameCount; f++) before[f]! -= earliest;
  return create({ own: create(null, earliest, latest - earliest + 1), before, shares }, earliest);
}

/** An array that lasts as long as the paths; it holds anything and is to be overwritten. */
export function arrayFor({ arena }: JointPaths, length: number): Float64Array {
  return arena ? take(arena, length) : new Float64Array(length);
}

/** World rotations of a joint at every moment: xyzw, frameCount × 4. */
export function rotationsOf(paths: JointPaths, joint: number): Float64Array {
  let rotations = paths.rotations[joint]!;
  if (rotations !== null) return rotations;
  const { skeleton, clip, frameCount, between, first } = paths;
  rotations = arrayFor(paths, frameCount * 4);
  if (between !== null) {
    interpolateRotations(rotations, rotationsOf(between.own, joint), between.before, between.shares);
  } else {
    const parent = skeleton.parents[joint]!;
    const start = (first * clip.jointCount + joint) * 4;
    if (parent < 0) readRotations(rotations, clip.rotations, start, clip.jointCount * 4);
    else readTurned(rotations, clip.rotations, start, clip.jointCount * 4, rotationsOf(paths, parent));
  }
  paths.rotations[joint] = rotations;
  return rotations;
}

/** World positions of a joint at every moment: frameCount × 3. */
export function positionsOf(paths: JointPaths, joint: number): Float64Array {
  let positions = paths.positions[joint]!;
  if (positions !== null) return positions;
  const { skeleton, clip, frameCount, between, first } = paths;
  positions = arrayFor(paths, frameCount * 3);
  if (between !== null) {
    interpolatePositions(positions, positionsOf(between.own, joint), between.before, between.shares);
  } else {
    const parent = skeleton.parents[joint]!;
    const moving = clip.translationJoints.indexOf(joint);
    if (moving >= 0) {
      const stride = clip.translationJoints.length * 3;
      readTranslations(positions, clip.translations, first * stride + moving * 3, stride);
      if (parent >= 0) carry(positions, rotationsOf(paths, parent), positionsOf(paths, parent));
    } else if (parent < 0) repeat(positions, skeleton.restTranslations, joint * 3);
    else
      carryPoint(
        positions,
        rotationsOf(paths, parent),
        positionsOf(paths, parent),
        skeleton.restTranslations,
        joint * 3,
      );
  }
  paths.positions[joint] = positions;
  return positions;
}

/** A clip's numbers are Float32, whose quaternions are unit to 1e-7 only: down a chain of ten that would add up. */
export function readRotation(out: Float64Array, o: number, from: Float32Array, at: number): void {
  const x = from[at]!;
  const y = from[at + 1]!;
  const z = from[at + 2]!;
  const w = from[at + 3]!;
  const square = x * x + y * y + z * z + w * w;
  const k = square > 0 ? 1 / Math.sqrt(square) : 0;
  out[o] = x * k;
  out[o + 1] = y * k;
  out[o + 2] = z * k;
  out[o + 3] = square > 0 ? w * k : 1;
}

function readRotations(out: Float64Array, from: Float32Array, start: number, stride: number): void {
  for (let o = 0, at = start; o < out.length; o += 4, at += stride) readRotation(out, o, from, at);
}

/** out = parent · local, moment by moment. */
function readTurned(out: Float64Array, from: Float32Array, start: number, stride: number, parent: Float64Array): void {
  for (let o = 0, at = start; o < out.length; o += 4, at += stride) {
    readRotation(out, o, from, at);
    mulQuat(out, o, parent, o, out, o);
  }
}

function readTranslations(out: Float64Array, from: Float32Array, start: number, stride: number): void {
  for (let o = 0, at = start; o < out.length; o += 3, at += stride) {
    out[o] = from[at]!;
    out[o + 1] = from[at + 1]!;
    out[o + 2] = from[at + 2]!;
  }
}

function repeat(out: Float64Array, from: Float64Array, at: number): void {
  for (let o = 0; o < out.length; o += 3) {
    out[o] = from[at]!;
    out[o + 1] = from[at + 1]!;
    out[o + 2] = from[at + 2]!;
  }
}

/** out = parent's position + its rotation · out, moment by moment. */
function carry(out: Float64Array, rotations: Float64Array, positions: Float64Array): void {
  for (let q = 0, p = 0; p < out.length; q += 4, p += 3) rotateAddVec(out, p, rotations, q, out, p, positions, p);
}

/** Heights along a path, one a frame, in units of `unit`. */
export function heightsOf(path: Float64Array, unit = 1): Float64Array {
  const heights = new Float64Array(path.length / 3);
  for (let f = 0; f < heights.length; f++) heights[f] = path[f * 3 + 1]! / unit;
  return heights;
}

/** out = where a point at `offset` of a joint is, moment by moment. */
export function carryPoint(
  out: Float64Array,
  rotations: Float64Array,
  positions: Float64Array,
  offset: Float64Array,
  at: number,
): void {
  for (let q = 0, p = 0; p < out.length; q += 4, p += 3) rotateAddVec(out, p, rotations, q, offset, at, positions, p);
}

function interpolateRotations(out: Float64Array, own: Float64Array, before: Int32Array, shares: Float64Array): void {
  for (let f = 0, o = 0; f < before.length; f++, o += 4) {
    const a = before[f]! * 4;
    slerpQuatBy(out, o, own, a, own, shares[f]! > 0 ? a + 4 : a, shares, f);
  }
}

function interpolatePositions(out: Float64Array, own: Float64Array, before: Int32Array, shares: Float64Array): void {
  for (let f = 0, o = 0; f < before.length; f++, o += 3) {
    const a = before[f]! * 3;
    lerpVec(out, o, own, a, own, shares[f]! > 0 ? a + 3 : a, shares[f]!);
  }
}
