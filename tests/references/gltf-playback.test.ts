import { existsSync, readdirSync, readFileSync } from 'node:fs';
import {
  AnimationMixer,
  BufferAttribute,
  BufferGeometry,
  LoopOnce,
  type Object3D,
  Quaternion,
  Texture,
  Vector3,
} from 'three';
import type { DRACOLoader } from 'three/addons/loaders/DRACOLoader.js';
import { type GLTF, GLTFLoader } from 'three/addons/loaders/GLTFLoader.js';
import { beforeAll, describe, expect, it } from 'vitest';
import { writeAnimationOnly } from '../../src/formats/gltf/animation-only.ts';
import type { WrittenGltf } from '../../src/formats/gltf/append-animation.ts';
import { parseContainer } from '../../src/formats/gltf/container.ts';
import { ENCODE_DEFAULTS, INT16_ROTATION_ERROR } from '../../src/formats/gltf/encode-animation.ts';
import { toNodeRotation } from '../../src/formats/gltf/node-binding.ts';
import { readCharacter } from '../../src/formats/gltf/read-character.ts';
import { type AnimationTarget, type WriteOptions, writeAnimatedGlb } from '../../src/formats/gltf/write-animation.ts';
import { angleBetweenQuats } from '../../src/math/quat.ts';
import { type Clip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';
import { swingClip } from '../support/animation-target.ts';

// Source of truth: three's GLTFLoader and AnimationMixer play the written file.

const RIGS = '../shared/data/rigs';
const hasRigs = existsSync(RIGS);
const rigs = hasRigs ? readdirSync(RIGS).filter((name) => /\.(glb|gltf|vrm)$/.test(name)) : [];

/** rad: three plays Float32 keys at Float32 times. Largest seen: 4.8e-7 (knight). */
const PLAYER_ANGLE = 2e-6;
/** Share of the rig's size: Float32 down the chain. Largest seen: 1.8e-6 (horse). */
const PLAYER_PLACE = 5e-6;

/** Loads without decoding pictures and compressed meshes: only nodes are looked at. */
async function load(bytes: Uint8Array): Promise<GLTF> {
  const loader = new GLTFLoader();
  loader.register(() => ({ name: 'no pictures', loadTexture: async () => new Texture() }));
  const noMesh = {
    preload() {},
    decodeDracoFile(_: ArrayBuffer, done: (geometry: BufferGeometry) => void) {
      const geometry = new BufferGeometry();
      for (const name of ['position', 'normal', 'skinIndex', 'skinWeight']) {
        geometry.setAttribute(name, new BufferAttribute(new Float32Array(0), name.startsWith('skin') ? 4 : 3));
      }
      done(geometry);
    },
  };
  loader.setDRACOLoader(noMesh as unknown as DRACOLoader);
  return loader.parseAsync(bytes.slice().buffer, '');
}

interface Playback {
  /** Largest angle between a node's rotation and the clip's, radians, over joints and frames. */
  angle: number;
  /** Largest distance of a joint from its place, beyond what the allowed errors above it explain, in units of the rig's size. */
  excess: number;
  /** Largest distance, in units of the rig's size. */
  distance: number;
}

/** Plays animation `name` and measures it against the clip. `allowedAngle` in radians, `allowedShift` in file units. */
async function play(
  target: AnimationTarget,
  clip: Clip,
  written: WrittenGltf,
  name: string,
  allowedAngle: number,
  allowedShift: number,
): Promise<Playback> {
  const gltf = await load(written.bytes);
  const objects = new Map<string | number, Object3D>();
  const nodeNames = parseContainer(written.bytes, 'written').json.nodes as { name?: string }[];
  gltf.scene.traverse((object) => {
    const node = gltf.parser.associations.get(object)?.nodes;
    if (node !== undefined) objects.set(node, object);
  });
  const mixer = new AnimationMixer(gltf.scene);
  const action = mixer.clipAction(gltf.animations.find((animation) => animation.name === name)!);
  action.setLoop(LoopOnce, 1);
  action.clampWhenFinished = true;
  action.play();
  const { skeleton, binding, container } = target;
  const sourceNames = container.json.nodes as { name?: string }[];
  const objectOf = (j: number) => {
    const node = binding.nodes[j]!;
    if (sourceNames.length === nodeNames.length) return objects.get(node)!;
    // Nodes of an animation alone: those that were kept, in their old order.
    const kept = keptNodes(target);
    return objects.get(kept.indexOf(node))!;
  };
  const scratch = restLocalPose(skeleton);
  const pose = createWorldPose(skeleton.jointCount);
  const size = sizeOf(target);
  const place = new Vector3();
  const q = new Float64Array(4);
  const reach = new Float64Array(skeleton.jointCount);
  const result: Playback = { angle: 0, excess: 0, distance: 0 };
  for (let f = 0; f < clip.frameCount; f++) {
    mixer.setTime(f * clip.frameDuration);
    gltf.scene.updateMatrixWorld(true);
    framePose(skeleton, clip, f, scratch, pose);
    for (let j = 0; j < skeleton.jointCount; j++) {
      const object = objectOf(j);
      toNodeRotation(binding, j, scratch.rotations, j * 4, q, 0);
      const shown = new Quaternion().copy(object.quaternion).normalize().toArray();
      result.angle = Math.max(result.angle, angleBetweenQuats(q, 0, shown, 0));
      place.setFromMatrixPosition(object.matrixWorld);
      const [x, y, z] = pose.positions.subarray(j * 3, j * 3 + 3);
      const distance = place.distanceTo(new Vector3(x, y, z));
      // A joint is moved by the errors of all joints above it, each by its angle times the bone.
      const p = skeleton.parents[j]!;
      let lever = allowedShift;
      for (let a = p; a >= 0; a = skeleton.parents[a]!) {
        const [ax, ay, az] = pose.positions.subarray(a * 3, a * 3 + 3);
        lever += allowedAngle * Math.hypot(x! - ax!, y! - ay!, z! - az!) + allowedShift;
      }
      reach[j] = lever;
      result.distance = Math.max(result.distance, distance / size);
      result.excess = Math.max(result.excess, (distance - lever) / size);
    }
  }
  return result;
}

function keptNodes({ binding, nodes }: AnimationTarget): number[] {
  const kept = new Set<number>();
  for (const node of binding.nodes) for (let i = node; i >= 0; i = nodes.parents[i]!) kept.add(i);
  return [...kept].sort((a, b) => a - b);
}

function sizeOf({ skeleton }: AnimationTarget): number {
  const pose = createWorldPose(skeleton.jointCount);
  framePose(skeleton, swingClip(skeleton, 1, 1), 0, restLocalPose(skeleton), pose);
  const extent = (k: number) => {
    const values = Array.from(pose.positions.keys())
      .filter((i) => i % 3 === k)
      .map((i) => pose.positions[i]!);
    return Math.max(...values) - Math.min(...values);
  };
  return Math.max(extent(0), extent(1), extent(2));
}

describe.skipIf(!hasRigs)(`written animations play to the poses given (needs ${RIGS})`, () => {
  beforeAll(() => {
    // The loader asks for `self`, which Node lacks.
    (globalThis as { self?: unknown }).self ??= globalThis;
  });

  describe.each(rigs)('%s', (name) => {
    const target = hasRigs
      ? readCharacter(parseContainer(new Uint8Array(readFileSync(`${RIGS}/${name}`)), name))
      : (undefined as never);
    const clip = hasRigs ? swingClip(target.skeleton, 60, 11) : (undefined as never);
    const tolerance = hasRigs ? 1e-4 * sizeOf(target) : 0;
    const write = (options: WriteOptions) =>
      writeAnimatedGlb(target, [clip], { translationTolerance: tolerance, ...options });

    it('with all keys, to Float32', async () => {
      const written = write({ keepAllKeys: true });
      const { angle, distance } = await play(target, clip, written, written.names[0]!, 0, 0);
      expect(angle).toBeLessThan(PLAYER_ANGLE);
      expect(distance).toBeLessThan(PLAYER_PLACE);
    });

    it.each(['float32', 'int16'] as const)('with reduced keys as %s, within the tolerances', async (quantise) => {
      const written = write({ quantise });
      const { rotationTolerance } = ENCODE_DEFAULTS;
      const { angle, excess } = await play(target, clip, written, written.names[0]!, rotationTolerance, tolerance);
      expect(angle).toBeLessThan(rotationTolerance + PLAYER_ANGLE);
      expect(excess).toBeLessThan(PLAYER_PLACE);
    });

    it('with 16-bit rotations, within their stated error', async () => {
      const written = write({ keepAllKeys: true, quantise: 'int16' });
      const { angle } = await play(target, clip, written, written.names[0]!, 0, 0);
      expect(angle).toBeLessThan(INT16_ROTATION_ERROR + PLAYER_ANGLE);
      // The statement is not idle either: it is reached to four fifths at least.
      expect(angle).toBeGreaterThan(INT16_ROTATION_ERROR * 0.8);
    });

    it('as an animation alone', async () => {
      const written = writeAnimationOnly(target, [clip], { keepAllKeys: true });
      const { angle, distance } = await play(target, clip, written, written.names[0]!, 0, 0);
      expect(angle).toBeLessThan(PLAYER_ANGLE);
      expect(distance).toBeLessThan(PLAYER_PLACE);
    });
  });
});
