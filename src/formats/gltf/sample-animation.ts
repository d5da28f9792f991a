/**
 * Samples a whole animation. 49 joints, 1,200 frames, most joints still, reading and placing the keys included: frame by
 * frame with a binary search for every joint 13.2 ms; joint by joint, looking for each key where the last one was found,
 * 7.6 ms. With the arc between two keys worked out once a pair, sampling six clips on three
 * characters (42,699 frames) fell from 1.12 to 0.64 s of a profile. With joints that are still copied row by row, and
 * one array for the turns of all others, zup_zombie_walk on 49 joints (21 turn, keys in every frame) fell from 1.7 to
 * 1.35 ms; most of what is left are the arc cosine, sine and cosine of each pair of keys.
 */
import { normalizeQuat } from '../../math/quat.ts';
import type { Clip } from '../../skeleton/clip.ts';
import type { Skeleton } from '../../skeleton/skeleton.ts';
import type { Character } from './character.ts';
import { fromNodeRotation, fromNodeTranslation, type NodeBinding } from './node-binding.ts';
import { type AnimationTracks, type PoseSampler, sampleNext, type Track } from './tracks.ts';

/** The motion of all joints; those whose offset goes further from rest than the tolerance have translations. */
export type SampledMotion = Pick<Clip, 'rotations' | 'translationJoints' | 'translations'>;

/**
 * Joint by joint, which is right where no scales are keyed: then none depends on another.
 * @param times      seconds, growing, one a frame
 * @param tolerance  units of the file
 */
export function sampleJoints(
  { binding, nodes, skeleton }: Pick<Character, 'binding' | 'nodes' | 'skeleton'>,
  { tracks }: AnimationTracks,
  times: Float64Array,
  tolerance: number,
): SampledMotion {
  const { jointCount, restTranslations } = skeleton;
  const frameCount = times.length;
  const rotations = new Float32Array(frameCount * jointCount * 4);
  const offsets = new Map<number, Float32Array>();
  const first = new Float64Array(4);
  for (let j = 0; j < jointCount; j++) {
    const node = binding.nodes[j]!;
    const { rotation, translation } = tracks.get(node) ?? {};
    first.set(nodes.rotations.subarray(node * 4, node * 4 + 4));
    if (rotation) sampleNext(rotation, 0, times[0]!, first);
    fromNodeRotation(binding, j, first, 0, first, 0);
    rotations.set(first, j * 4);
    const nodeTranslation = nodes.translations.slice(node * 3, node * 3 + 3);
    const offset = sampleOffset(binding, j, translation, nodeTranslation, times);
    if (leaves(offset, restTranslations, j * 3, tolerance)) offsets.set(j, offset);
  }
  repeatStart(rotations, jointCount * 4);
  const turns = new Float64Array(frameCount * 4);
  for (let j = 0; j < jointCount; j++) {
    const track = tracks.get(binding.nodes[j]!)?.rotation;
    if (track === undefined || track.times.length === 1) continue;
    sampleRotation(binding, j, track, times, turns);
    writeRotations(turns, rotations, j * 4, jointCount * 4);
  }
  const row = offsets.size * 3;
  const translations = new Float32Array(frameCount * row);
  let m = 0;
  for (const offset of offsets.values()) {
    const step = offset.length > 3 ? 3 : 0;
    for (let f = 0, at = m, from = 0; f < frameCount; f++, at += row, from += step) {
      for (let k = 0; k < 3; k++) translations[at + k] = offset[from + k]!;
    }
    m += 3;
  }
  return { rotations, translationJoints: Int16Array.from(offsets.keys()), translations };
}

/** Frame by frame: scales that are keyed move the joints below them. */
export function sampleFrames(
  sampler: PoseSampler,
  { jointCount, restTranslations }: Skeleton,
  times: Float64Array,
  tolerance: number,
): SampledMotion {
  const frameCount = times.length;
  const pose = { rotations: new Float64Array(jointCount * 4), translations: new Float64Array(jointCount * 3) };
  const rotations = new Float32Array(frameCount * jointCount * 4);
  const all = new Float32Array(frameCount * jointCount * 3);
  for (let f = 0; f < frameCount; f++) {
    sampler.sample(times[f]!, pose);
    for (let j = 0; j < jointCount; j++) {
      writeRotation(pose.rotations, j * 4, rotations, (f * jointCount + j) * 4, jointCount * 4);
    }
    all.set(pose.translations, f * jointCount * 3);
  }
  const moving: number[] = [];
  const offset = new Float32Array(frameCount * 3);
  for (let j = 0; j < jointCount; j++) {
    for (let f = 0; f < frameCount; f++) {
      for (let k = 0; k < 3; k++) offset[f * 3 + k] = all[(f * jointCount + j) * 3 + k]!;
    }
    if (leaves(offset, restTranslations, j * 3, tolerance)) moving.push(j);
  }
  const translations = new Float32Array(frameCount * moving.length * 3);
  for (let f = 0, to = 0; f < frameCount; f++) {
    for (const j of moving) {
      for (let k = 0; k < 3; k++) translations[to++] = all[(f * jointCount + j) * 3 + k]!;
    }
  }
  return { rotations, translationJoints: Int16Array.from(moving), translations };
}

/** Fills an array with its first `size` numbers. */
function repeatStart(values: Float32Array, size: number): void {
  for (let done = size; done < values.length; done *= 2) values.copyWithin(done, 0, done);
}

/** @param out  local rotations, a quaternion a time */
function sampleRotation(binding: NodeBinding, j: number, track: Track, times: Float64Array, out: Float64Array): void {
  if (track.interpolation === 'LINEAR') {
    turnBetweenKeys(out, track.times, track.values, times);
  } else {
    const q = new Float64Array(4);
    for (let f = 0, key = 0; f < times.length; f++) {
      key = sampleNext(track, key, times[f]!, q);
      out.set(q, f * 4);
    }
  }
  if (isIdentity(binding.aboveRotations, j * 4) && isIdentity(binding.flips, j * 4)) return;
  for (let i = 0; i < out.length; i += 4) fromNodeRotation(binding, j, out, i, out, i);
}

/**
 * Rotations at growing times, between keys on the shorter arc (glTF 2.0, appendix C.3); before the first and after the last
 * key those. What belongs to a pair of keys is worked out once a pair, as most keys of a written file are several frames apart.
 * @param out  xyzw, a quaternion a time
 */
function turnBetweenKeys(out: Float64Array, keys: Float64Array, values: Float64Array, times: Float64Array): void {
  const last = keys.length - 1;
  let key = -1;
  let ax = 0;
  let ay = 0;
  let az = 0;
  let aw = 1;
  let bx = 0;
  let by = 0;
  let bz = 0;
  let bw = 1;
  let cos = 1;
  let arc = 0;
  let overSine = 0;
  for (let f = 0, o = 0; f < times.length; f++, o += 4) {
    const time = times[f]!;
    let k = Math.max(0, key);
    while (k < last && keys[k + 1]! <= time) k++;
    if (k !== key) {
      key = k;
      const a = k * 4;
      const b = Math.min(k + 1, last) * 4;
      const la = 1 / (lengthOf(values, a) || 1);
      const lb = 1 / (lengthOf(values, b) || 1);
      ax = values[a]! * la;
      ay = values[a + 1]! * la;
      az = values[a + 2]! * la;
      aw = values[a + 3]! * la;
      bx = values[b]! * lb;
      by = values[b + 1]! * lb;
      bz = values[b + 2]! * lb;
      bw = values[b + 3]! * lb;
      cos = ax * bx + ay * by + az * bz + aw * bw;
      if (cos < 0) {
        cos = -cos;
        bx = -bx;
        by = -by;
        bz = -bz;
        bw = -bw;
      }
      // Below 0.5 mrad chord and arc agree to rounding.
      arc = cos < 1 - 1e-7 ? Math.acos(cos) : 0;
      overSine = arc > 0 ? 1 / Math.sqrt((1 - cos) * (1 + cos)) : 0;
    }
    const t = k === last || time <= keys[k]! ? 0 : (time - keys[k]!) / (keys[k + 1]! - keys[k]!);
    let wa = 1 - t;
    let wb = t;
    if (arc > 0 && t > 0) {
      // sin((1 − t) θ) / sin θ = cos tθ − cos θ · sin tθ / sin θ
      wb = Math.sin(t * arc) * overSine;
      wa = Math.cos(t * arc) - cos * wb;
    }
    out[o] = wa * ax + wb * bx;
    out[o + 1] = wa * ay + wb * by;
    out[o + 2] = wa * az + wb * bz;
    out[o + 3] = wa * aw + wb * bw;
    normalizeQuat(out, o);
  }
}

function lengthOf(q: Float64Array, i: number): number {
  return Math.sqrt(q[i]! * q[i]! + q[i + 1]! * q[i + 1]! + q[i + 2]! * q[i + 2]! + q[i + 3]! * q[i + 3]!);
}

/** Offsets of a joint, three numbers a frame; of one that is still only those of one frame. */
function sampleOffset(
  binding: NodeBinding,
  j: number,
  track: Track | undefined,
  v: Float64Array,
  times: Float64Array,
): Float32Array {
  const count = track === undefined || track.times.length === 1 ? 1 : times.length;
  const offsets = new Float32Array(count * 3);
  const local = new Float64Array(3);
  for (let f = 0, key = 0; f < count; f++) {
    if (track) key = sampleNext(track, key, times[f]!, v);
    fromNodeTranslation(binding, j, v, 0, local, 0);
    for (let k = 0; k < 3; k++) offsets[f * 3 + k] = local[k]!;
  }
  return offsets;
}

function leaves(offsets: Float32Array, rest: Float64Array, at: number, tolerance: number): boolean {
  for (let i = 0, k = 0; i < offsets.length; i++, k = k === 2 ? 0 : k + 1) {
    if (Math.abs(offsets[i]! - rest[at + k]!) > tolerance) return true;
  }
  return false;
}

function isIdentity(q: Float64Array, i: number): boolean {
  return q[i] === 0 && q[i + 1] === 0 && q[i + 2] === 0 && q[i + 3] === 1;
}

/** All rotations of a joint as `writeRotation`, one a row. */
function writeRotations(turns: Float64Array, out: Float32Array, first: number, stride: number): void {
  let px = 0;
  let py = 0;
  let pz = 0;
  let pw = 0;
  for (let i = 0, at = first; i < turns.length; i += 4, at += stride) {
    const x = Math.fround(turns[i]!);
    const y = Math.fround(turns[i + 1]!);
    const z = Math.fround(turns[i + 2]!);
    const w = Math.fround(turns[i + 3]!);
    const isTurned = x * px + y * py + z * pz + w * pw < 0;
    px = isTurned ? -x : x;
    py = isTurned ? -y : y;
    pz = isTurned ? -z : z;
    pw = isTurned ? -w : w;
    out[at] = px;
    out[at + 1] = py;
    out[at + 2] = pz;
    out[at + 3] = pw;
  }
}

/** Successive frames keep the same sign, so that a reader may interpolate them number by number. */
function writeRotation(q: Float64Array, from: number, out: Float32Array, at: number, stride: number): void {
  const x = Math.fround(q[from]!);
  const y = Math.fround(q[from + 1]!);
  const z = Math.fround(q[from + 2]!);
  const w = Math.fround(q[from + 3]!);
  const b = at - stride;
  const isTurned = b >= 0 && x * out[b]! + y * out[b + 1]! + z * out[b + 2]! + w * out[b + 3]! < 0;
  out[at] = isTurned ? -x : x;
  out[at + 1] = isTurned ? -y : y;
  out[at + 2] = isTurned ? -z : z;
  out[at + 3] = isTurned ? -w : w;
}
