import { existsSync, readFileSync } from 'node:fs';
import fc from 'fast-check';
import { Quaternion, Vector3 } from 'three';
import { BVHLoader } from 'three/addons/loaders/BVHLoader.js';
import { describe, expect, it } from 'vitest';
import { reduceKeys } from '../../../src/formats/gltf/reduce-keys.ts';
import { angleBetweenQuats, axisAngleQuat, mulQuat } from '../../../src/math/quat.ts';

const DEGREE = Math.PI / 180;
/** rad. three's slerp takes the chord for angles under 3.6 degrees; against the arc that is at most 2.6e-7. */
const CHORD = 3e-7;

const CLIPS = '../shared/data/bvh';
const hasClips = existsSync(CLIPS);

interface Keys {
  frames: Int32Array;
  values: Float64Array;
}

function reduce(values: Float64Array, width: 3 | 4, tolerance: number): Keys {
  const frameCount = values.length / width;
  const frames = new Int32Array(frameCount);
  const keyValues = new Float64Array(values.length);
  const count = reduceKeys(values, frameCount, width, tolerance, frames, keyValues);
  return { frames: frames.slice(0, count), values: keyValues.slice(0, count * width) };
}

/** The largest angle between a rotation channel and what a player (three's slerp) shows for its keys, over all frames. */
function largestAngle(values: Float64Array, keys: Keys): number {
  const a = new Quaternion();
  const b = new Quaternion();
  let largest = 0;
  for (let s = 0; s < keys.frames.length; s++) {
    const e = Math.min(s + 1, keys.frames.length - 1);
    const [from, to] = [keys.frames[s]!, keys.frames[e]!];
    for (let f = from; f <= to; f++) {
      a.fromArray(keys.values, s * 4).slerp(b.fromArray(keys.values, e * 4), to > from ? (f - from) / (to - from) : 0);
      largest = Math.max(largest, angleBetweenQuats(a.toArray(), 0, values, f * 4));
    }
  }
  return largest;
}

function largestDistance(values: Float64Array, keys: Keys): number {
  let largest = 0;
  for (let s = 0; s + 1 < keys.frames.length; s++) {
    const [from, to] = [keys.frames[s]!, keys.frames[s + 1]!];
    for (let f = from; f <= to; f++) {
      const t = (f - from) / (to - from);
      let sum = 0;
      for (let k = 0; k < 3; k++) {
        const shown = keys.values[s * 3 + k]! * (1 - t) + keys.values[s * 3 + 3 + k]! * t;
        sum += (shown - values[f * 3 + k]!) ** 2;
      }
      largest = Math.max(largest, Math.sqrt(sum));
    }
  }
  return largest;
}

/**
 * The filter of `reduce-keys.ts` for vectors as its description has it, a frame at a time: balls of velocities, replaced by
 * the largest ball in the lens of two.
 */
function plainKeyFrames(values: Float64Array, tolerance: number): number[] {
  const radius = tolerance * (1 - 1e-6) - 2e-10;
  const at = (f: number) => new Vector3().fromArray(values, f * 3);
  const frameCount = values.length / 3;
  const frames = [0];
  let key = at(0);
  for (let start = 0; start < frameCount - 1; start = frames.at(-1)!) {
    let centre = new Vector3();
    let size = Infinity;
    let f = start + 1;
    for (; f < frameCount; f++) {
      const n = f - start;
      const next = at(f).sub(key).divideScalar(n);
      const distance = next.distanceTo(centre);
      if (n > 1 && distance >= size + radius / n) break;
      if (n === 1 || distance + radius / n <= size) [centre, size] = [next, radius / n];
      else if (distance + size > radius / n) {
        centre = centre.clone().lerp(next, (distance + size - radius / n) / 2 / distance);
        size = (size + radius / n - distance) / 2;
      }
    }
    frames.push(f - 1);
    key = f - 1 - start === 1 ? at(f - 1) : key.clone().addScaledVector(centre, f - 1 - start);
  }
  return frames;
}

/** Unit and sign-continuous. */
function expectClean(values: Float64Array): void {
  for (let at = 0; at < values.length; at += 4) {
    const q = values.subarray(at, at + 4);
    expect(Math.abs(Math.hypot(...q) - 1)).toBeLessThan(1e-9);
    if (at > 0) {
      const before = values.subarray(at - 4, at);
      expect(q.reduce((sum, x, k) => sum + x * before[k]!, 0)).toBeGreaterThanOrEqual(0);
    }
  }
}

/** A channel that turns by the given rotation vectors one after the other: any speed, noise, jumps. */
function turns(steps: readonly (readonly [number, number, number])[]): Float64Array {
  const values = new Float64Array((steps.length + 1) * 4);
  values[3] = 1;
  const turn = new Float64Array(4);
  steps.forEach(([x, y, z], i) => {
    const angle = Math.hypot(x, y, z) || 1e-300;
    axisAngleQuat(turn, 0, x / angle, y / angle, z / angle, angle);
    const at = (i + 1) * 4;
    mulQuat(values, at, values, at - 4, turn, 0);
    const length = Math.hypot(...values.subarray(at, at + 4));
    const dot = [0, 1, 2, 3].reduce((sum, k) => sum + values[at + k]! * values[at - 4 + k]!, 0);
    for (let k = 0; k < 4; k++) values[at + k]! *= (dot < 0 ? -1 : 1) / length;
  });
  return values;
}

const number = (size: number) => fc.double({ min: -size, max: size, noNaN: true });
const step = (size: number) => fc.tuple(number(size), number(size), number(size));
/** Runs of steady motion of every speed, in one channel. */
const motion = fc
  .array(
    fc.oneof(
      { maxDepth: 0 },
      ...[1e-5, 1e-3, 0.02, 0.2, 3].map((size) => fc.tuple(step(size), fc.integer({ min: 1, max: 40 }))),
    ),
    { minLength: 0, maxLength: 12 },
  )
  .map((runs) => runs.flatMap(([v, length]) => Array.from({ length }, () => v)));
const tolerances = fc.constantFrom(1e-6, 1e-4, 0.05 * DEGREE, 0.02, 0.3);

describe('key reduction', () => {
  it('stays within the tolerance at every frame of any rotation channel', () => {
    fc.assert(
      fc.property(motion, tolerances, (steps, tolerance) => {
        const values = turns(steps);
        const keys = reduce(values, 4, tolerance);
        expect(largestAngle(values, keys)).toBeLessThanOrEqual(tolerance + CHORD);
        expectClean(keys.values);
        expect(keys.frames[0]).toBe(0);
        expect(keys.frames.at(-1)).toBe(values.length / 4 - 1);
      }),
      { numRuns: 300 },
    );
  });

  it('stays within the tolerance at every frame of any translation channel', () => {
    fc.assert(
      fc.property(motion, tolerances, (steps, tolerance) => {
        const values = Float64Array.from([[0, 0, 0], ...steps].flat());
        for (let i = 3; i < values.length; i++) values[i]! += values[i - 3]!;
        const keys = reduce(values, 3, tolerance);
        expect(largestDistance(values, keys)).toBeLessThanOrEqual(tolerance);
        expect(keys.frames.at(-1)).toBe(values.length / 3 - 1);
      }),
      { numRuns: 300 },
    );
  });

  it('needs two keys for a turn at constant speed and for a straight line, however long', () => {
    const turning = turns(Array.from({ length: 80 }, () => [0.004, 0.01, -0.006] as const));
    expect(reduce(turning, 4, 1e-5).frames).toEqual(Int32Array.of(0, 80));
    const line = Float64Array.from({ length: 30_000 }, (_, i) => Math.floor(i / 3) * [0.1, -2, 0.01][i % 3]!);
    expect(reduce(line, 3, 1e-5).frames).toEqual(Int32Array.of(0, 9_999));
  });

  it('never lets slerp take the short way round: a spin of several turns keeps turning', () => {
    const spin = turns(Array.from({ length: 100 }, () => [0, 0.25, 0] as const));
    const keys = reduce(spin, 4, 0.05 * DEGREE);
    expect(largestAngle(spin, keys)).toBeLessThanOrEqual(0.05 * DEGREE + CHORD);
    for (let k = 1; k < keys.frames.length; k++) expect(keys.frames[k]! - keys.frames[k - 1]!).toBeLessThan(9);
  });

  it('holds its bound through half turns from one frame to the next', () => {
    const steps = Array.from(
      { length: 40 },
      (_, i) => [i % 3 === 0 ? Math.PI : 0.001, 0, i % 5 === 0 ? Math.PI - 1e-4 : 0] as const,
    );
    const values = turns(steps);
    const keys = reduce(values, 4, 0.01);
    expectClean(keys.values);
    for (let k = 0; k < keys.frames.length; k++) {
      expect(angleBetweenQuats(keys.values, k * 4, values, keys.frames[k]! * 4)).toBeLessThanOrEqual(0.01);
    }
  });

  it('keeps every frame for a tolerance of 0, one key for one frame, none for none', () => {
    const values = turns(Array.from({ length: 9 }, () => [0.1, 0, 0] as const));
    const keys = reduce(values, 4, 0);
    expect(keys.frames).toEqual(Int32Array.from({ length: 10 }, (_, i) => i));
    expect(keys.values).toEqual(values);
    expect(reduce(values.slice(0, 4), 4, 0.01).frames).toEqual(Int32Array.of(0));
    expect(reduce(new Float64Array(0), 4, 0.01).frames.length).toBe(0);
  });

  it('gives up as soon as there are more keys than are wanted', () => {
    // Turns back and forth by more than the tolerance: every frame calls for a key.
    const values = turns(Array.from({ length: 200 }, (_, i) => [i % 2 === 0 ? 0.1 : -0.1, 0, 0] as const));
    const frames = new Int32Array(201).fill(-1);
    const keyValues = new Float64Array(201 * 4);
    expect(reduceKeys(values, 201, 4, 0.001, frames, keyValues, 200)).toBe(201);
    frames.fill(-1);
    expect(reduceKeys(values, 201, 4, 0.001, frames, keyValues, 50)).toBe(51);
    expect(frames[150]).toBe(-1);
  });

  it('finds the keys of the filter as it is described, written down plainly, in a channel of any length', () => {
    for (const length of [63, 64, 65, 129, 400]) {
      const values = new Float64Array(length * 3);
      for (let i = 0; i < values.length; i++) values[i] = Math.sin(i / 150) + 0.002 * Math.sin(i * i);
      expect([...reduce(values, 3, 0.004).frames]).toEqual(plainKeyFrames(values, 0.004));
    }
  });

  it('does not touch its input', () => {
    const values = turns([
      [0.1, 0, 0],
      [0, 0.2, 0],
      [0.001, 0, 0],
    ]);
    const before = values.slice();
    reduce(values, 4, 0.01);
    expect(values).toEqual(before);
  });
});

describe.skipIf(!hasClips)(`key reduction of real clips (needs ${CLIPS})`, () => {
  it.each(['zup_zombie_walk', 'cmu_walk', 'figure8_walk'])(
    'holds 0.05 degree in every joint and frame of %s',
    (name) => {
      // The channels come from three's BVHLoader, so that this test stands on no reader of ours.
      const { clip } = new BVHLoader().parse(readFileSync(`${CLIPS}/${name}.bvh`, 'utf8'));
      let keyCount = 0;
      let frameCount = 0;
      for (const track of clip.tracks) {
        if (!track.name.endsWith('.quaternion')) continue;
        const values = Float64Array.from(track.values);
        for (let at = 0; at < values.length; at += 4) {
          const dot = at === 0 ? 1 : [0, 1, 2, 3].reduce((sum, k) => sum + values[at + k]! * values[at - 4 + k]!, 0);
          const length = Math.hypot(...values.subarray(at, at + 4)) * (dot < 0 ? -1 : 1);
          for (let k = 0; k < 4; k++) values[at + k]! /= length;
        }
        const keys = reduce(values, 4, 0.05 * DEGREE);
        expectClean(keys.values);
        expect(largestAngle(values, keys)).toBeLessThanOrEqual(0.05 * DEGREE + CHORD);
        keyCount += keys.frames.length;
        frameCount += values.length / 4;
      }
      expect(keyCount).toBeLessThan(0.8 * frameCount);
    },
  );
});
