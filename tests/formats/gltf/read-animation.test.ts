import { describe, expect, it } from 'vitest';
import { RigproofError } from '../../../src/errors.ts';
import { parseContainer } from '../../../src/formats/gltf/container.ts';
import { type AnimationReading, readAnimation } from '../../../src/formats/gltf/read-animation.ts';
import { readCharacter } from '../../../src/formats/gltf/read-character.ts';
import { framePose, restLocalPose } from '../../../src/skeleton/clip.ts';
import { createWorldPose, type Skeleton } from '../../../src/skeleton/skeleton.ts';
import { type ChannelOptions, GltfBuilder } from '../../support/gltf-builder.ts';

/** Float32 keys and values of about 1. */
const TOLERANCE = 1e-6;
const HALF = Math.SQRT1_2;

/** Three joints along Y, 0.5 apart, below an armature of scale 2. */
function limb(): { builder: GltfBuilder; joints: number[] } {
  const builder = new GltfBuilder();
  const [top, ...joints] = builder.chain([
    { name: 'top', scale: [2, 2, 2] },
    { name: 'a' },
    { name: 'b', translation: [0, 0.5, 0] },
    { name: 'c', translation: [0, 0.5, 0] },
  ]);
  builder.scene([top!]);
  builder.skin(joints);
  return { builder, joints };
}

function reading(
  channels: (joints: number[]) => ChannelOptions[],
  fps = 10,
): AnimationReading & { skeleton: Skeleton } {
  const { builder, joints } = limb();
  builder.animation('move', channels(joints));
  const character = readCharacter(parseContainer(builder.glb(), 'limb.glb'));
  return { ...readAnimation(character, 0, fps), skeleton: character.skeleton };
}

/** World position of joint `j` in each frame. */
function path({ clip, skeleton }: AnimationReading & { skeleton: Skeleton }, j: number): number[][] {
  const scratch = restLocalPose(skeleton);
  const pose = createWorldPose(skeleton.jointCount);
  return Array.from({ length: clip.frameCount }, (_, f) => {
    framePose(skeleton, clip, f, scratch, pose);
    return Array.from(pose.positions.subarray(j * 3, j * 3 + 3));
  });
}

function expectNear(actual: readonly number[] | undefined, expected: readonly number[]): void {
  expected.forEach((value, k) => {
    expect(Math.abs(actual![k]! - value)).toBeLessThan(TOLERANCE);
  });
}

describe('readAnimation', () => {
  it('samples LINEAR rotations on the shorter arc, at equal angles, whatever the sign of the key', () => {
    const result = reading((joints) => [
      { node: joints[0]!, path: 'rotation', times: [0, 1], values: [0, 0, 0, 1, 0, 0, -HALF, -HALF] },
    ]);
    expect(result.clip.frameCount).toBe(11);
    expect(result.clip.frameDuration).toBeCloseTo(0.1, 12);
    path(result, 1).forEach((position, f) => {
      const angle = (f / 10) * (Math.PI / 2);
      expectNear(position, [-Math.sin(angle), Math.cos(angle), 0]);
    });
  });

  it('holds STEP keys until the next', () => {
    const result = reading((joints) => [
      {
        node: joints[0]!,
        path: 'rotation',
        times: [0, 0.45, 1],
        values: [0, 0, 0, 1, 0, 0, 1, 0, 0, 0, 0, 1],
        interpolation: 'STEP',
      },
    ]);
    expect(path(result, 1).map(([, y]) => Math.sign(y!))).toEqual([1, 1, 1, 1, 1, -1, -1, -1, -1, -1, 1]);
  });

  // glTF 2.0, appendix C.4: p(t) = (2t³-3t²+1) v0 + td (t³-2t²+t) b0 + (-2t³+3t²) v1 + td (t³-t²) a1
  it('samples CUBICSPLINE translations by the formula of the standard', () => {
    const [v0, b0, a1, v1] = [0.2, 1.5, -0.5, 0.8];
    const result = reading((joints) => [
      {
        node: joints[0]!,
        path: 'translation',
        times: [1, 3],
        values: [9, 0, 0, v0, 0, 0, b0, 0, 0, a1, 0, 0, v1, 0, 0, 9, 0, 0],
        interpolation: 'CUBICSPLINE',
      },
    ]);
    expect(result.startTime).toBe(1);
    expect(result.clip.frameCount).toBe(21);
    path(result, 0).forEach(([x], f) => {
      const t = f / 20;
      const expected =
        (2 * t ** 3 - 3 * t ** 2 + 1) * v0 +
        2 * (t ** 3 - 2 * t ** 2 + t) * b0 +
        (-2 * t ** 3 + 3 * t ** 2) * v1 +
        2 * (t ** 3 - t ** 2) * a1;
      expect(Math.abs(x! - 2 * expected)).toBeLessThan(TOLERANCE); // the armature doubles it
    });
  });

  it('normalises CUBICSPLINE rotations and normalised integers', () => {
    const { builder, joints } = limb();
    builder.animation('move', [
      { node: joints[0]!, path: 'rotation', times: [0, 1], values: [0, 0, 0, 1, 0, 0, 0, 1] },
    ]);
    const output = builder.accessor('VEC4', new Int16Array([0, 0, 0, 32767, 0, 0, 32767, 0]), { normalized: true });
    (builder.json.animations[0]!.samplers as { output: number }[])[0]!.output = output;
    const character = readCharacter(parseContainer(builder.glb(), 'limb.glb'));
    const { clip } = readAnimation(character, 0, 2);
    expect(clip.rotations[12 + 2]).toBeCloseTo(HALF, 6);
    expect(clip.rotations[12 + 3]).toBeCloseTo(HALF, 6);
    const spline = reading((j) => [
      {
        node: j[0]!,
        path: 'rotation',
        times: [0, 1],
        values: [0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 3, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0],
        interpolation: 'CUBICSPLINE',
      },
    ]).clip.rotations;
    for (let at = 0; at < spline.length; at += 4) expect(Math.hypot(...spline.subarray(at, at + 4))).toBeCloseTo(1, 6);
  });

  it('lists only joints whose translation leaves its rest offset', () => {
    const { clip } = reading((joints) => [
      { node: joints[0]!, path: 'translation', times: [0, 1], values: [0, 0, 0, 1, 0, 0] },
      { node: joints[1]!, path: 'translation', times: [0, 1], values: [0, 0.5, 0, 0, 0.5, 0] },
      { node: joints[2]!, path: 'translation', times: [0], values: [0, 0.75, 0] },
    ]);
    expect(Array.from(clip.translationJoints)).toEqual([0, 2]);
    expect(Array.from(clip.translations.subarray(0, 6))).toEqual([0, 0, 0, 0, 1.5, 0]);
  });

  it('clamps channels of different lengths, and ends at the frame nearest to the last key', () => {
    const result = reading((joints) => [
      { node: joints[0]!, path: 'translation', times: [0.2, 0.5], values: [0, 0, 0, 1, 0, 0] },
      { node: joints[1]!, path: 'rotation', times: [0, 0.96], values: [0, 0, 0, 1, 1, 0, 0, 0] },
    ]);
    expect(result.clip.frameCount).toBe(11);
    const xs = path(result, 0).map(([x]) => x);
    expect(xs.slice(0, 3)).toEqual([0, 0, 0]);
    expect(xs.slice(5)).toEqual([2, 2, 2, 2, 2, 2]);
  });

  it('keeps the sign of successive quaternions', () => {
    const values = Array.from({ length: 9 }, (_, k) => {
      const sign = k % 2 === 0 ? 1 : -1; // the same rotation, written the other way
      return [0, 0, sign * Math.sin(k * 0.9), sign * Math.cos(k * 0.9)];
    }).flat();
    const { clip } = reading((joints) => [
      { node: joints[0]!, path: 'rotation', times: [0, 1, 2, 3, 4, 5, 6, 7, 8], values },
    ]);
    for (let f = 1; f < clip.frameCount; f++) {
      let dot = 0;
      for (let k = 0; k < 4; k++) dot += clip.rotations[f * 12 + k]! * clip.rotations[(f - 1) * 12 + k]!;
      expect(dot).toBeGreaterThan(0);
    }
  });

  it('ignores scale keys that say what the node says, and follows others with positions and a note', () => {
    const still = reading((joints) => [
      { node: joints[0]!, path: 'rotation', times: [0, 1], values: [0, 0, 0, 1, 1, 0, 0, 0] },
      { node: joints[0]!, path: 'scale', times: [0, 1], values: [1, 0.9999999, 1, 1, 1, 1] },
    ]);
    expect(still.notes).toEqual([]);
    expect(Array.from(still.clip.translationJoints)).toEqual([]);
    const stretched = reading((joints) => [
      { node: joints[0]!, path: 'scale', times: [0, 1], values: [1, 1, 1, 1, 3, 1] },
      { node: joints[1]!, path: 'rotation', times: [0], values: [0, 0, -HALF, HALF] },
    ]);
    expect(stretched.notes.map(({ code }) => code)).toEqual(['GLTF_SCALE_KEYS']);
    expectNear(path(stretched, 1).at(-1), [0, 3, 0]);
    expectNear(path(stretched, 2).at(-1), [1, 3, 0]); // the turned bone lies across the stretch
  });
});

describe('animations that cannot be read', () => {
  const codeOf = (edit: (builder: GltfBuilder, joints: number[]) => void, fps = 30, index = 0): string => {
    const { builder, joints } = limb();
    builder.animation('move', [
      { node: joints[0]!, path: 'rotation', times: [0, 1], values: [0, 0, 0, 1, 1, 0, 0, 0] },
    ]);
    edit(builder, joints);
    const character = readCharacter(parseContainer(builder.glb(), 'limb.glb'));
    try {
      readAnimation(character, index, fps);
    } catch (error) {
      expect(error).toBeInstanceOf(RigproofError);
      expect((error as RigproofError).place.file).toBe('limb.glb');
      expect((error as RigproofError).hint).toBeTruthy();
      return (error as RigproofError).code;
    }
    return 'nothing was refused';
  };
  const setSampler = (builder: GltfBuilder, key: string, value: unknown): void => {
    Object.assign((builder.json.animations[0]!.samplers as object[])[0]!, { [key]: value });
  };
  const times = (builder: GltfBuilder, values: number[]): number =>
    builder.accessor('SCALAR', new Float32Array(values));

  it.each<[string, string, Parameters<typeof codeOf>]>([
    ['that index', 'GLTF_NO_ANIMATION', [() => undefined, 30, 1]],
    ['a rate of zero', 'GLTF_FPS', [() => undefined, 0]],
    ['no rate', 'GLTF_FPS', [() => undefined, Number.NaN]],
    ['fewer values than keys', 'GLTF_KEY_COUNT', [(b) => setSampler(b, 'input', times(b, [0, 1, 2]))]],
    ['spline keys without tangents', 'GLTF_KEY_COUNT', [(b) => setSampler(b, 'interpolation', 'CUBICSPLINE')]],
    ['times that run backwards', 'GLTF_KEY_TIMES', [(b) => setSampler(b, 'input', times(b, [1, 0]))]],
    ['times that are none', 'GLTF_NAN', [(b) => setSampler(b, 'input', times(b, [0, Number.NaN]))]],
    ['an unknown interpolation', 'GLTF_TYPE', [(b) => setSampler(b, 'interpolation', 'BEZIER')]],
    ['a stray key at a far time', 'GLTF_COUNT', [(b) => setSampler(b, 'input', times(b, [0, 1e12]))]],
    [
      'two channels for one thing',
      'GLTF_KEY_TWICE',
      [(b) => (b.json.animations[0]!.channels as object[]).push((b.json.animations[0]!.channels as object[])[0]!)],
    ],
    [
      'keys for other nodes only',
      'GLTF_NO_JOINT_KEYS',
      [
        (b) => {
          const lamp = b.node({ name: 'lamp' });
          Object.assign((b.json.animations[0]!.channels as object[])[0]!, { target: { node: lamp, path: 'rotation' } });
        },
      ],
    ],
  ])('%s', (_title, code, [edit, fps, index]) => {
    expect(codeOf(edit, fps, index)).toBe(code);
  });

  it('do not keep the character from being read', () => {
    const { builder, joints } = limb();
    builder.animation('bad', [{ node: joints[0]!, path: 'rotation', times: [1, 0], values: [0, 0, 0, 1, 1, 0, 0, 0] }]);
    const character = readCharacter(parseContainer(builder.glb(), 'limb.glb'));
    expect(character.animations).toEqual([{ name: 'bad', duration: 1 }]);
    expect(character.notes.map(({ code }) => code)).toEqual(['GLTF_KEY_TIMES']);
  });
});
