/** The WebAssembly kernel of keys against its reference in TypeScript, bit for bit. */
import { createHash } from 'node:crypto';
import { existsSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { openKeyWork } from '../../../src/formats/gltf/key-kernel.ts';
import { type KeyWork, PlainKeyWork } from '../../../src/formats/gltf/key-work.ts';
import type { KeyBytes } from '../../../src/formats/gltf/store-keys.ts';
import { invertQuat } from '../../../src/math/quat.ts';
import type { Clip } from '../../../src/skeleton/clip.ts';
import { realJob } from '../../support/real-job.ts';
import { rigPath } from '../../support/rigs.ts';

type Sample = (f: number, random: () => number) => readonly [number, number, number, number];

const turn = (x: number, y: number, z: number): [number, number, number, number] => {
  const half = Math.hypot(x, y, z) / 2;
  const k = half > 0 ? Math.sin(half) / (2 * half) : 0.5;
  return [x * k, y * k, z * k, Math.cos(half)];
};

/** One joint each. */
const JOINTS: { [what: string]: Sample } = {
  still: () => turn(0.1, 0.2, 0.3),
  'still but for the sign of a zero': (f) => [0, 0, f % 2 === 0 ? 0 : -0, 1],
  'moves in the last frames only': (f) => turn(f < 20 ? 0 : 0.01 * (f - 19), 0, 0),
  'moves from the hundredth frame on': (f) => turn(0.1, f < 100 ? 0.2 : 0.002 * f, 0.3),
  'changes the sign of a zero, and moves much later': (f) => [f < 200 ? 0 : 0.001 * f, 0, f === 70 ? -0 : 0, 1],
  swings: (f) => turn(Math.sin(f * 0.05), 0.3 * Math.sin(f * 0.031), 0.1),
  'swings with noise': (f, random) => turn(Math.sin(f * 0.05) + 0.002 * random(), 0.002 * random(), 0.3),
  jumps: (_f, random) => turn(6 * random(), 6 * random(), 6 * random()),
  'spins by just under and over half a turn': (f) => turn(f * Math.PI * (f % 3 === 0 ? 0.999 : 1.001), 0, 0),
  'spins by 115 degrees': (f) => turn(0, f * 2, 0),
  'is turned about': (f) => turn(0, 0.02 * f, 0).map((x) => (f % 5 === 0 ? -x : x)) as [number, number, number, number],
  'is longer than 1': (f) => turn(0.01 * f, 0, 0.3).map((x) => x * 1.004) as [number, number, number, number],
  'goes at one pace': (f) => turn(0, 0, 0.001 * f),
};

function seededClip(frameCount: number, joints: readonly Sample[] = Object.values(JOINTS)): Clip {
  let state = 7;
  const random = () => {
    state = (state * 48271) % 2147483647;
    return state / 2147483647 - 0.5;
  };
  const rotations = new Float32Array(frameCount * joints.length * 4);
  for (let f = 0; f < frameCount; f++) {
    joints.forEach((sample, j) => {
      rotations.set(sample(f, random), (f * joints.length + j) * 4);
    });
  }
  return {
    name: 'seeded',
    frameCount,
    frameDuration: 1 / 120,
    jointCount: joints.length,
    rotations,
    translationJoints: new Int16Array(0),
    translations: new Float32Array(0),
  };
}

function views(size: number): KeyBytes {
  const bytes = new Uint8Array(size);
  return { bytes, floats: new Float32Array(bytes.buffer), shorts: new Int16Array(bytes.buffer) };
}

/** 0 and -0 differ, and long arrays are compared in no time. */
function digest(values: NodeJS.ArrayBufferView): string {
  return createHash('sha256').update(values).digest('hex');
}

/** All that comes of one joint. */
function workOut(work: KeyWork, { frameCount }: Clip, j: number) {
  const out: unknown[] = [work.holdsStill(j)];
  for (const change of [undefined, (q: Float64Array, at: number) => invertQuat(q, at, q, at)]) {
    const done = work.gather(j, frameCount, change);
    const values = work.values.slice(0, done * 4);
    out.push(done, digest(values));
    for (const isShort of [true, false]) {
      const stored = views(frameCount * 16 + 16);
      work.store(work.values, done, isShort, stored, 8);
      out.push(digest(stored.bytes));
    }
    if (done < frameCount) continue;
    for (const tolerance of [0, 1e-4, 8e-4, 0.05]) {
      for (const enough of [frameCount, Math.floor((frameCount * 2) / 3), 1]) {
        // From its own memory, and from elsewhere.
        for (const input of change ? [values] : [work.values]) {
          const count = work.reduce(input, frameCount, 4, tolerance, enough);
          const kept = Math.min(count, enough);
          out.push(count, digest(work.keyFrames.slice(0, kept)), digest(work.keyValues.slice(0, kept * 4)));
        }
      }
    }
  }
  return out;
}

function expectSame(clip: Clip): void {
  const byKernel = openKeyWork(clip);
  expect(byKernel).not.toBeInstanceOf(PlainKeyWork);
  const plain = new PlainKeyWork(clip);
  for (let j = 0; j < clip.jointCount; j++) {
    expect(workOut(byKernel, clip, j), `joint ${j}`).toStrictEqual(workOut(plain, clip, j));
  }
}

describe('keys by the kernel equal those by the reference', () => {
  it.each([1, 2, 3, 31, 32, 33, 64, 65, 700])('for motions of all kinds, %i frames', (frameCount) => {
    expectSame(seededClip(frameCount));
  });

  it('for rotations that are none: as many are done', () => {
    for (const bad of [Number.NaN, 1.2, 0, Number.POSITIVE_INFINITY]) {
      const clip = seededClip(50, [(f) => (f === 37 ? [0, bad, 0, 0] : turn(0.01 * f, 0, 0))]);
      expectSame(clip);
      expect(openKeyWork(clip).gather(0, 50)).toBe(37);
    }
    expectSame(seededClip(50, [() => [Number.NaN, 0, 0, 1]]));
  });

  it('when work on two clips takes turns', () => {
    const clips = [seededClip(100), seededClip(3000)];
    const works = clips.map((clip) => openKeyWork(clip));
    const plain = clips.map((clip) => new PlainKeyWork(clip));
    for (let j = 0; j < clips[0]!.jointCount; j++) {
      for (const [i, clip] of clips.entries()) {
        expect(workOut(works[i]!, clip, j)).toStrictEqual(workOut(plain[i]!, clip, j));
      }
    }
  });

  it('leaves a clip to the reference for which it has no room', () => {
    expect(openKeyWork(seededClip(20_000, Array(60).fill(JOINTS.still)))).toBeInstanceOf(PlainKeyWork);
  });

  it.skipIf(!existsSync(rigPath('man_casual.glb')))('for a real motion (needs ../shared/data)', () => {
    expectSame(realJob('cmu_walk.bvh', 'man_casual.glb').clip);
  });
});
