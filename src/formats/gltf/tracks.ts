import { type Note, RigproofError } from '../../errors.ts';
import { transformPoint } from '../../math/affine.ts';
import { angleBetweenQuats, normalizeQuat, slerpQuat } from '../../math/quat.ts';
import { distanceVec, lerpVec } from '../../math/vec.ts';
import type { LocalPose } from '../../skeleton/clip.ts';
import { readAccessor } from './accessor.ts';
import type { GltfContainer } from './container.ts';
import { fromNodeRotation, fromNodeTranslation, type NodeBinding } from './node-binding.ts';
import { documentOf, type NodeTree, remainder } from './nodes.ts';

type Path = 'translation' | 'rotation' | 'scale';

/** The keys of one channel. Values: size numbers a key; with CUBICSPLINE 3 × size (in-tangent, value, out-tangent). */
export interface Track {
  times: Float64Array; // may be shared with other tracks
  values: Float64Array;
  size: 3 | 4;
  interpolation: 'LINEAR' | 'STEP' | 'CUBICSPLINE';
}

export type NodeTracks = Partial<Record<Path, Track>>;

/** Keys of one animation by node. Seconds. */
export interface AnimationTracks {
  tracks: Map<number, NodeTracks>;
  /** Earliest and latest key. */
  start: number;
  end: number;
}

/** Node rotation and translation differ from node rest from here on: about 0.006 degree, and 1e-5 of the size. */
const MOVING_ANGLE = 1e-4; // rad
const MOVING_SHARE = 1e-5; // of the extent of all nodes
/** A scale key that differs by less does not scale: exporters write 0.99999994. */
const SCALE_TOLERANCE = 1e-4;

/**
 * Reads the keys of one animation; weights and channels without a node are left out.
 * @throws RigproofError `GLTF_KEY_COUNT`, `GLTF_KEY_TIMES`, `GLTF_KEY_TWICE`, and those of `readAccessor`
 */
export function readTracks(container: GltfContainer, index: number): AnimationTracks {
  const animation = documentOf(container).animations![index]!;
  const tracks = new Map<number, NodeTracks>();
  let start = Number.POSITIVE_INFINITY;
  let end = Number.NEGATIVE_INFINITY;
  /** Channels mostly share their times: read and checked once. */
  const timesOf = new Map<number, Float64Array>();
  animation.channels.forEach((channel, c) => {
    const { node, path } = channel.target;
    if (node === undefined || (path !== 'translation' && path !== 'rotation' && path !== 'scale')) return;
    const sampler = animation.samplers[channel.sampler]!;
    const pointer = `/animations/${index}/samplers/${channel.sampler}`;
    const fail = (code: string, message: string, at: string): never => {
      throw new RigproofError(
        code,
        message,
        { file: container.name, pointer: at },
        { hint: 'The animation was written by a faulty exporter: export it again.' },
      );
    };
    const known = timesOf.get(sampler.input);
    const times = known ?? readAccessor(container, sampler.input, 'SCALAR', `${pointer}/input`);
    const size = path === 'rotation' ? 4 : 3;
    const values = readAccessor(container, sampler.output, size === 4 ? 'VEC4' : 'VEC3', `${pointer}/output`);
    const interpolation = sampler.interpolation ?? 'LINEAR';
    if (interpolation !== 'LINEAR' && interpolation !== 'STEP' && interpolation !== 'CUBICSPLINE') {
      fail('GLTF_TYPE', `Unknown interpolation ${JSON.stringify(interpolation)}.`, `${pointer}/interpolation`);
    }
    const expected = times.length * (interpolation === 'CUBICSPLINE' ? 3 : 1);
    if (values.length !== expected * size) {
      fail(
        'GLTF_KEY_COUNT',
        `${values.length / size} values for ${times.length} ${interpolation} keys; expected ${expected}.`,
        pointer,
      );
    }
    for (let k = 1; k < times.length && !known; k++) {
      if (times[k]! < times[k - 1]!) {
        fail(
          'GLTF_KEY_TIMES',
          `Key ${k} is at ${times[k]} s, before the key at ${times[k - 1]} s.`,
          `${pointer}/input`,
        );
      }
    }
    timesOf.set(sampler.input, times);
    const ofNode = tracks.get(node) ?? {};
    tracks.set(node, ofNode);
    if (ofNode[path]) {
      fail(
        'GLTF_KEY_TWICE',
        `A second channel keys the ${path} of node ${node}.`,
        `/animations/${index}/channels/${c}`,
      );
    }
    ofNode[path] = { times, values, size, interpolation };
    start = Math.min(start, times[0]!);
    end = Math.max(end, times[times.length - 1]!);
  });
  return { tracks, start: tracks.size > 0 ? start : 0, end: tracks.size > 0 ? end : 0 };
}

/**
 * The keys of every animation; null, with a note, for one that cannot be read: it does not make the character
 * unreadable, and reading that animation says the same again.
 */
export function readAllTracks(container: GltfContainer, notes: Note[]): (AnimationTracks | null)[] {
  return (documentOf(container).animations ?? []).map((_, index) => {
    try {
      return readTracks(container, index);
    } catch (error) {
      if (!(error instanceof RigproofError)) throw error;
      notes.push({ code: error.code, severity: 'warning', message: error.message, place: error.place });
      return null;
    }
  });
}

/** Latest key time of an animation in seconds, weights included: what its accessors state, else what was read. */
export function animationDuration(container: GltfContainer, index: number, tracks: AnimationTracks | null): number {
  const { samplers } = documentOf(container).animations![index]!;
  let end = tracks?.end ?? 0;
  for (const { input } of samplers) {
    const stated = documentOf(container).accessors![input]!.max?.[0];
    if (typeof stated === 'number' && Number.isFinite(stated)) end = Math.max(end, stated);
  }
  return end;
}

/**
 * One a node: 1 where some animation takes its rotation or translation away from node rest. What an unreadable animation
 * targets is taken to move.
 */
export function findMovingNodes(
  container: GltfContainer,
  tree: NodeTree,
  animations: readonly (AnimationTracks | null)[],
): Uint8Array {
  const moving = new Uint8Array(tree.count);
  const tolerance = MOVING_SHARE * (extentOf(tree.worlds, 12, 3) || 1);
  animations.forEach((animation, index) => {
    if (animation === null) {
      for (const { target } of documentOf(container).animations![index]!.channels) {
        const { node, path } = target;
        if (node !== undefined && (path === 'rotation' || path === 'translation')) moving[node] = 1;
      }
      return;
    }
    for (const [node, { rotation, translation }] of animation.tracks) {
      if (rotation && turns(rotation, tree, node)) moving[node] = 1;
      if (translation && shifts(translation, tree, node, tolerance)) moving[node] = 1;
    }
  });
  return moving;
}

function turns(track: Track, tree: NodeTree, node: number): boolean {
  const q = new Float64Array(4);
  for (let k = 0; k < track.times.length; k++) {
    if (hasTangents(track, k, MOVING_ANGLE)) return true;
    q.set(keyValue(track, k));
    normalizeQuat(q, 0);
    if (angleBetweenQuats(q, 0, tree.rotations, node * 4) > MOVING_ANGLE) return true;
  }
  return false;
}

/** @param tolerance  world units */
function shifts(track: Track, tree: NodeTree, node: number, tolerance: number): boolean {
  const parent = tree.parents[node]!;
  const scale = parent < 0 ? 1 : Math.cbrt(Math.abs(determinantOf(tree.remainders, parent * 12))) || 1;
  for (let k = 0; k < track.times.length; k++) {
    if (hasTangents(track, k, tolerance / scale)) return true;
    if (distanceVec(keyValue(track, k), 0, tree.translations, node * 3) * scale > tolerance) return true;
  }
  return false;
}

function keyValue({ values, size, interpolation }: Track, k: number): Float64Array {
  const at = interpolation === 'CUBICSPLINE' ? (k * 3 + 1) * size : k * size;
  return values.subarray(at, at + size);
}

/** Tangents on equal keys still move the node between them; a single key has nothing between. */
function hasTangents({ values, size, interpolation, times }: Track, k: number, tolerance: number): boolean {
  if (interpolation !== 'CUBICSPLINE' || times.length < 2) return false;
  for (let c = 0; c < size; c++) {
    const [before, after] = [values[k * 3 * size + c]!, values[(k * 3 + 2) * size + c]!];
    if (Math.abs(before) > tolerance || Math.abs(after) > tolerance) return true;
  }
  return false;
}

function determinantOf(m: Float64Array, i: number): number {
  return (
    m[i]! * (m[i + 5]! * m[i + 10]! - m[i + 6]! * m[i + 9]!) -
    m[i + 1]! * (m[i + 4]! * m[i + 10]! - m[i + 6]! * m[i + 8]!) +
    m[i + 2]! * (m[i + 4]! * m[i + 9]! - m[i + 5]! * m[i + 8]!)
  );
}

/** Largest side of the box about points: stride 3, or 12 for the last columns of affines (then `first` is 3). */
export function extentOf(points: Float64Array, stride: number, first = 0): number {
  let extent = 0;
  for (let k = 0; k < 3; k++) {
    let low = Number.POSITIVE_INFINITY;
    let high = Number.NEGATIVE_INFINITY;
    const step = stride === 12 ? 4 : 1;
    for (let at = first + k * step; at < points.length; at += stride) {
      low = Math.min(low, points[at]!);
      high = Math.max(high, points[at]!);
    }
    if (high - low > extent) extent = high - low;
  }
  return extent;
}

/** Samples the keys of one animation as local poses of a rigid skeleton. */
export interface PoseSampler {
  /** Writes the pose at `time` (seconds, clamped to the keys of each channel). Allocates nothing. */
  sample(time: number, out: LocalPose): void;
  /** Whether scales are keyed that change anything: then offsets follow them, as positions do on screen. */
  scales: boolean;
}

/**
 * Nodes without keys stay at node rest, whatever reference pose the skeleton has. Rotations are interpolated on the
 * shorter arc, splines by glTF 2.0, appendix C.4, with the quaternion normalised afterwards.
 */
export function createPoseSampler(
  tree: NodeTree,
  binding: NodeBinding,
  parents: Int16Array,
  { tracks }: AnimationTracks,
): PoseSampler {
  const jointCount = parents.length;
  const ofJoint = Array.from(binding.nodes, (node) => tracks.get(node));
  const scales = ofJoint.some((entry, j) => entry?.scale && changesScale(entry.scale, binding.scales, j));
  const q = new Float64Array(4);
  const v = new Float64Array(3);
  const linear = new Float64Array(12);
  const remainders = new Float64Array(jointCount * 12);
  const sample = (time: number, out: LocalPose): void => {
    for (let j = 0; j < jointCount; j++) {
      const node = binding.nodes[j]!;
      const entry = ofJoint[j];
      if (entry?.rotation) sampleTrack(entry.rotation, time, q);
      else for (let k = 0; k < 4; k++) q[k] = tree.rotations[node * 4 + k]!;
      if (entry?.translation) sampleTrack(entry.translation, time, v);
      else for (let k = 0; k < 3; k++) v[k] = tree.translations[node * 3 + k]!;
      fromNodeRotation(binding, j, q, 0, out.rotations, j * 4);
      const p = parents[j]!;
      if (!scales || p < 0) fromNodeTranslation(binding, j, v, 0, out.translations, j * 3);
      else transformPoint(out.translations, j * 3, remainders, p * 12, v, 0);
      if (!scales) continue;
      for (let k = 0; k < 12; k++) linear[k] = tree.linears[node * 12 + k]!;
      if (entry?.scale) {
        sampleTrack(entry.scale, time, v);
        linear.fill(0);
        for (let k = 0; k < 3; k++) linear[k * 5] = v[k]!;
      }
      const isRoot = p < 0;
      const above = isRoot ? rootRemainder(j) : remainders;
      remainder(remainders, j * 12, above, isRoot ? 0 : p * 12, q, 0, binding.flips, j * 4, linear, 0);
    }
  };
  /** What the nodes above a root leave once their rotation is taken out. */
  const aboveRoots = new Map<number, Float64Array>();
  const rootRemainder = (j: number): Float64Array => {
    let above = aboveRoots.get(j);
    if (above === undefined) {
      const parent = tree.parents[binding.nodes[j]!]!;
      above = new Float64Array(12);
      if (parent < 0) for (let k = 0; k < 3; k++) above[k * 5] = 1;
      else above.set(tree.remainders.subarray(parent * 12, parent * 12 + 12));
      aboveRoots.set(j, above);
    }
    return above;
  };
  return { sample, scales };
}

function changesScale(track: Track, rest: Float64Array, j: number): boolean {
  const isSpline = track.interpolation === 'CUBICSPLINE';
  for (let at = 0, k = 0; at < track.values.length; at += 3, k++) {
    const isTangent = isSpline && k % 3 !== 1;
    for (let c = 0; c < 3; c++) {
      const wanted = isTangent ? 0 : rest[j * 3 + c]!;
      if (Math.abs(track.values[at + c]! - wanted) > SCALE_TOLERANCE * (Math.abs(wanted) || 1)) return true;
    }
  }
  return false;
}

/** out = the value of a track at `time`, `size` numbers. Before the first key the first, after the last the last. */
export function sampleTrack(track: Track, time: number, out: Float64Array): void {
  const { times } = track;
  let low = 0;
  let high = times.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (times[middle]! <= time) low = middle;
    else high = middle - 1;
  }
  sampleFrom(track, low, time, out);
}

/**
 * The same for times that only grow: looks from key `k` on, where the last time was found.
 * @returns the last key at or before `time`, for the next one
 */
export function sampleNext(track: Track, k: number, time: number, out: Float64Array): number {
  const { times } = track;
  const last = times.length - 1;
  let key = k;
  while (key < last && times[key + 1]! <= time) key++;
  sampleFrom(track, key, time, out);
  return key;
}

/** @param k  the last key at or before `time`, or the first one */
function sampleFrom({ times, values, size, interpolation }: Track, k: number, time: number, out: Float64Array): void {
  const isSpline = interpolation === 'CUBICSPLINE';
  const stride = isSpline ? size * 3 : size;
  const offset = isSpline ? size : 0;
  const last = times.length - 1;
  const a = k * stride + offset;
  if (k === last || time <= times[k]! || interpolation === 'STEP') {
    for (let c = 0; c < size; c++) out[c] = values[a + c]!;
  } else {
    const span = times[k + 1]! - times[k]!;
    const t = (time - times[k]!) / span;
    const b = a + stride;
    if (isSpline) {
      const t2 = t * t;
      const t3 = t2 * t;
      for (let c = 0; c < size; c++) {
        out[c] =
          (2 * t3 - 3 * t2 + 1) * values[a + c]! +
          span * (t3 - 2 * t2 + t) * values[a + size + c]! +
          (-2 * t3 + 3 * t2) * values[b + c]! +
          span * (t3 - t2) * values[b - size + c]!;
      }
    } else if (size === 4) {
      for (let c = 0; c < 4; c++) {
        from[c] = values[a + c]!;
        to[c] = values[b + c]!;
      }
      normalizeQuat(from, 0);
      normalizeQuat(to, 0);
      slerpQuat(out, 0, from, 0, to, 0, t);
    } else {
      lerpVec(out, 0, values, a, values, b, t);
    }
  }
  if (size === 4) normalizeQuat(out, 0);
}

const from = new Float64Array(4);
const to = new Float64Array(4);
