import { existsSync, readdirSync, readFileSync } from 'node:fs';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { type BvhChannel, type BvhTake, parseBvh, writeBvh } from '../../../src/formats/bvh/index.ts';
import { angleBetweenQuats, normalizeQuat } from '../../../src/math/quat.ts';
import { type Clip, createClip, framePose, restLocalPose } from '../../../src/skeleton/clip.ts';
import { buildSkeleton, createWorldPose, type JointSource, type Skeleton } from '../../../src/skeleton/skeleton.ts';
import { oneJoint, read } from './text.ts';

/** rad. Six decimals of a degree and Float32, three angles each. */
const ROTATION_TOLERANCE = 5e-7;
/** Of the longest length: nine digits and Float32. */
const LENGTH_TOLERANCE = 1e-6;

function back(text: string): BvhTake {
  const { takes } = parseBvh(new TextEncoder().encode(text), 'back.bvh');
  return takes[0]!;
}

/** Largest distance of a joint, and of a tip, between two figures over all frames. */
function largestDistance(a: [Skeleton, Clip], b: [Skeleton, Clip]): number {
  let largest = 0;
  const [poseA, poseB] = [createWorldPose(a[0].jointCount), createWorldPose(b[0].jointCount)];
  const [localA, localB] = [restLocalPose(a[0]), restLocalPose(b[0])];
  for (let f = 0; f < a[1].frameCount; f++) {
    framePose(a[0], a[1], f, localA, poseA);
    framePose(b[0], b[1], f, localB, poseB);
    for (let k = 0; k < poseA.positions.length; k++) {
      largest = Math.max(largest, Math.abs(poseA.positions[k]! - poseB.positions[k]!));
    }
  }
  return largest;
}

/** A numbers source that is the same for the same seed. */
function randomFrom(seed: number): () => number {
  let state = (seed % 2147483646) + 1;
  return () => {
    state = (state * 48271) % 2147483647;
    return state / 2147483647;
  };
}

function randomQuat(random: () => number): [number, number, number, number] {
  const q = Float64Array.of(random() - 0.5, random() - 0.5, random() - 0.5, random() - 0.5);
  normalizeQuat(q, 0);
  return [q[0]!, q[1]!, q[2]!, q[3]!];
}

/** A tree with rest rotations, one joint of which moves besides the root. */
function randomFigure(seed: number): { skeleton: Skeleton; clip: Clip } {
  const random = randomFrom(seed);
  const joint = (name: string, children: JointSource[]): JointSource => ({
    name,
    rotation: randomQuat(random),
    translation: [random() - 0.5, random(), random() - 0.5],
    children,
    ...(children.length === 0 ? { tips: [{ offset: [0, random(), 0] as const }] } : {}),
  });
  const arm = (side: string) => joint(`${side} arm`, [joint(`${side} hand`, [])]);
  const { skeleton } = buildSkeleton([joint('hips', [joint('chest', [arm('left'), arm('right')])])]);
  const clip = createClip('random', 6, 1 / 24, skeleton.jointCount, [0, 2]);
  for (let at = 0; at < clip.rotations.length; at += 4) clip.rotations.set(randomQuat(random), at);
  for (let k = 0; k < clip.translations.length; k++) clip.translations[k] = random() * 3 - 1;
  return { skeleton, clip };
}

describe('writing BVH', () => {
  it('keeps joint positions of a figure with any rest rotations', () => {
    fc.assert(
      fc.property(fc.integer({ min: 0, max: 1e6 }), (seed) => {
        const { skeleton, clip } = randomFigure(seed);
        const again = back(writeBvh(skeleton, clip));
        expect(again.skeleton.names).toEqual(skeleton.names);
        expect([...again.skeleton.parents]).toEqual([...skeleton.parents]);
        expect(again.clip.frameDuration).toBe(clip.frameDuration);
        expect([...again.clip.translationJoints]).toEqual([0, 2]);
        expect(largestDistance([skeleton, clip], [again.skeleton, again.clip])).toBeLessThan(6 * LENGTH_TOLERANCE);
      }),
    );
  });

  it('leaves the skeleton and the clip as they were', () => {
    const { skeleton, clip } = randomFigure(1);
    const copy = structuredClone({ skeleton, clip });
    writeBvh(skeleton, clip);
    expect({ skeleton, clip }).toEqual(copy);
  });

  it('writes a zero pose that is the rest pose, tips included', () => {
    const { skeleton, clip } = randomFigure(2);
    const rest = { ...clip, frameCount: 1, translationJoints: new Int16Array(0), translations: new Float32Array(0) };
    rest.rotations = Float32Array.from(skeleton.restRotations);
    const { skeleton: zero, clip: still } = back(writeBvh(skeleton, rest));
    expect([...zero.restRotations]).toEqual(skeleton.names.flatMap(() => [0, 0, 0, 1]));
    for (let j = 0; j < zero.jointCount; j++) {
      expect(angleBetweenQuats(still.rotations, j * 4, [0, 0, 0, 1], 0)).toBeLessThan(ROTATION_TOLERANCE);
    }
    const local = restLocalPose(skeleton);
    const world = createWorldPose(skeleton.jointCount);
    framePose(skeleton, rest, 0, local, world);
    zero.tips.forEach((tip, t) => {
      const length = Math.hypot(...skeleton.tips[t]!.offset);
      expect(tip.joint).toBe(skeleton.tips[t]!.joint);
      expect(Math.hypot(...tip.offset)).toBeCloseTo(length, 6);
    });
  });

  it.each(['XYZ', 'XZY', 'YXZ', 'YZX', 'ZXY', 'ZYX'])(
    'keeps the order %s and its rotations, gimbal lock included',
    (order) => {
      const given = [...order].map((axis) => `${axis}rotation` as BvhChannel);
      const angles = [-180, -90, -89.99999, -30, 0, 45, 89.9999, 90, 135, 180];
      const rows = angles.flatMap((a) => angles.flatMap((b) => angles.map((c) => `${a} ${b} ${c}`)));
      const { skeleton, clip, channels } = read(oneJoint(given.join(' '), rows.join('\n'), rows.length)).takes[0]!;
      const again = back(writeBvh(skeleton, clip, { channels }));
      expect(again.channels).toEqual([given]);
      expect(again.clip.frameCount).toBe(1000);
      for (let f = 0; f < clip.frameCount; f++) {
        const angle = angleBetweenQuats(again.clip.rotations, f * 4, clip.rotations, f * 4);
        expect(angle).toBeLessThan(ROTATION_TOLERANCE);
      }
    },
  );

  it('keeps a hinge of one channel and adds what the motion needs beyond it', () => {
    const { skeleton, clip } = read(oneJoint('Yrotation', '10\n20\n30', 3)).takes[0]!;
    expect(back(writeBvh(skeleton, clip, { channels: [['Yrotation']] })).channels).toEqual([['Yrotation']]);
    expect(back(writeBvh(skeleton, clip, { channels: [['Xrotation']] })).channels).toEqual([
      ['Xrotation', 'Yrotation'],
    ]);
    expect(back(writeBvh(skeleton, clip, { channels: [[]] })).channels).toEqual([['Yrotation']]);
  });

  it('writes angles that do not jump where the motion does not', () => {
    const values = Array.from(
      { length: 200 },
      (_, f) => `${((f * 7 + 180) % 360) - 180} ${20 * Math.sin(f / 10)} 3`,
    ).join('\n');
    const { skeleton, clip } = read(oneJoint('Yrotation Xrotation Zrotation', values, 200)).takes[0]!;
    const rows = writeBvh(skeleton, clip).trimEnd().split('\n').slice(-200);
    const turns = rows.map((row) => row.split(' ').slice(3).map(Number));
    for (let f = 1; f < 200; f++) {
      for (let k = 0; k < 3; k++) expect(Math.abs(turns[f]![k]! - turns[f - 1]![k]!)).toBeLessThan(15);
    }
  });

  it('writes a somersault about the middle axis as one angle that goes on', () => {
    const values = Array.from({ length: 140 }, (_, f) => String(f * 5)).join('\n');
    const { skeleton, clip } = read(oneJoint('Xrotation', values, 140)).takes[0]!;
    const rows = writeBvh(skeleton, clip).trimEnd().split('\n').slice(-140);
    rows.forEach((row, f) => {
      const [, , , z, x, y] = row.split(' ').map(Number);
      expect([z, y]).toEqual([0, 0]);
      expect(x).toBeCloseTo(f * 5, 4);
    });
  });

  it('writes position channels for the root and for the joints that move', () => {
    const { skeleton, clip } = randomFigure(3);
    const { channels } = back(writeBvh(skeleton, clip));
    expect(channels.map((list) => list.length)).toEqual([6, 3, 6, 3, 3, 3]);
    expect(channels[1]).toEqual(['Zrotation', 'Xrotation', 'Yrotation']);
  });

  it('gives a leaf without a tip an End Site beyond it', () => {
    const leaf: JointSource = { name: 'b', rotation: [0, 0, 0, 1], translation: [0, 2, 0], children: [] };
    const { skeleton } = buildSkeleton([{ ...leaf, name: 'a', translation: [0, 0, 0], children: [leaf] }]);
    const clip = createClip('still', 0, 0.04, 2, []);
    expect(back(writeBvh(skeleton, clip)).skeleton.tips).toEqual([{ joint: 1, offset: [0, 0.5, 0] }]);
  });

  it('keeps names with blanks and replaces what would end them', () => {
    const source: JointSource = { name: 'left {arm}\n2', rotation: [0, 0, 0, 1], translation: [0, 0, 0], children: [] };
    const { skeleton } = buildSkeleton([source]);
    expect(back(writeBvh(skeleton, createClip('x', 0, 0.04, 1, []))).skeleton.names).toEqual(['left _arm_2']);
  });

  it('refuses a clip of another skeleton', () => {
    const { skeleton } = randomFigure(4);
    expect(() => writeBvh(skeleton, createClip('x', 1, 0.04, 2, []))).toThrow(
      expect.objectContaining({ code: 'BVH_JOINT_MISMATCH' }),
    );
  });
});

/** The skeleton with 0 for each -0 of its file. */
function unsignedZeros(skeleton: Skeleton): Skeleton {
  const tips = skeleton.tips.map((tip) => ({
    ...tip,
    offset: tip.offset.map((x) => x + 0) as [number, number, number],
  }));
  return { ...skeleton, restTranslations: skeleton.restTranslations.map((x) => x + 0), tips };
}

const FOLDER = new URL('../../../../shared/data/bvh/', import.meta.url);
const hasData = existsSync(FOLDER);

describe.skipIf(!hasData)('real clips read, written and read again (needs ../shared/data/bvh)', () => {
  const files = hasData ? readdirSync(FOLDER).filter((file) => file.endsWith('.bvh')) : [];

  it.each(files)('%s comes back', (file) => {
    const { skeleton, clip, channels } = parseBvh(new Uint8Array(readFileSync(new URL(file, FOLDER))), file).takes[0]!;
    const again = back(writeBvh(skeleton, clip, { channels }));
    expect(again.channels).toEqual(channels);
    expect(unsignedZeros(again.skeleton)).toEqual(unsignedZeros(skeleton));
    expect(again.clip.frameDuration).toBe(clip.frameDuration);
    expect(again.clip.frameCount).toBe(clip.frameCount);
    let largestAngle = 0;
    for (let at = 0; at < clip.rotations.length; at += 4) {
      largestAngle = Math.max(largestAngle, angleBetweenQuats(clip.rotations, at, again.clip.rotations, at));
    }
    expect(largestAngle).toBeLessThan(ROTATION_TOLERANCE);
    clip.translations.forEach((x, k) => {
      if (Math.abs(x - again.clip.translations[k]!) > LENGTH_TOLERANCE)
        throw new Error(`${x} at ${k} came back otherwise`);
    });
  });
});
