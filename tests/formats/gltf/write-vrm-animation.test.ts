import { validateBytes } from 'gltf-validator';
import { AnimationMixer, type Object3D, Quaternion, Vector3 } from 'three';
import { GLTFLoader } from 'three/addons/loaders/GLTFLoader.js';
import { beforeAll, describe, expect, it } from 'vitest';
import { parseContainer } from '../../../src/formats/gltf/container.ts';
import { documentOf } from '../../../src/formats/gltf/nodes.ts';
import {
  fromNormalisedLocal,
  type HumanoidFigure,
  toNormalisedLocal,
  writeVrmAnimation,
} from '../../../src/formats/gltf/vrm-animation.ts';
import { angleBetweenQuats, invertQuat, mulInverseQuat, mulQuat } from '../../../src/math/quat.ts';
import { PARENT_ROLE, type Role } from '../../../src/pairing/roles.ts';
import type { Actor } from '../../../src/retarget/actor.ts';
import { framePose, readFrame, restLocalPose } from '../../../src/skeleton/clip.ts';
import { createWorldPose } from '../../../src/skeleton/skeleton.ts';
import { type FigureOptions, figure, wander } from '../../support/figure.ts';

/** rad and m: Float32 keys at Float32 times. Largest seen: 6e-7. */
const FLOAT32 = 3e-6;

function humanoid(actor: Actor): HumanoidFigure {
  const { skeleton, body, alignment } = actor;
  return { name: 'figure', skeleton, posture: alignment.posture, roles: body.roles, parentRoles: PARENT_ROLE };
}

async function play(bytes: Uint8Array) {
  const gltf = await new GLTFLoader().parseAsync(bytes.slice().buffer, '');
  const mixer = new AnimationMixer(gltf.scene);
  const objects = new Map<string, Object3D>();
  gltf.scene.traverse((object) => objects.set(object.name, object));
  gltf.scene.updateMatrixWorld(true);
  const rest = new Map([...objects].map(([name, object]) => [name, object.getWorldPosition(new Vector3())]));
  return { gltf, mixer, objects, rest };
}

const FIGURES: [string, FigureOptions][] = [
  ['plain', {}],
  ['with rolled joint axes', { rollSeed: 5 }],
  [
    'with five spine joints, limbs split in two and detached feet',
    { rollSeed: 2, spineJoints: 5, splitLimbs: true, detachedFeet: true },
  ],
];

describe('a VRM animation', () => {
  beforeAll(() => {
    // three's loader asks for `self`, which Node lacks.
    (globalThis as { self?: unknown }).self ??= globalThis;
  });

  it.each(FIGURES)('of a figure %s turns every bone in the world as the clip does', async (_, options) => {
    const actor = figure(options);
    const clip = wander(actor, 12, 3);
    const { skeleton, alignment, body } = actor;
    const written = writeVrmAnimation(humanoid(actor), [clip], { keepAllKeys: true });
    const { gltf, mixer, objects } = await play(written.bytes);
    mixer.clipAction(gltf.animations[0]!).play();
    const scratch = restLocalPose(skeleton);
    const pose = createWorldPose(skeleton.jointCount);
    const expected = new Float64Array(4);
    for (let f = 0; f < clip.frameCount - 1; f++) {
      mixer.setTime(f * clip.frameDuration);
      gltf.scene.updateMatrixWorld(true);
      framePose(skeleton, clip, f, scratch, pose);
      for (const [role, joint] of Object.entries(body.roles)) {
        if (role.endsWith('Eye')) continue;
        // Away from the T-pose, as a T-pose node rotation is the identity.
        invertQuat(expected, 0, alignment.posture, joint * 4);
        mulQuat(expected, 0, pose.rotations, joint * 4, expected, 0);
        const shown = objects.get(role)!.getWorldQuaternion(new Quaternion()).toArray();
        expect(angleBetweenQuats(expected, 0, shown, 0)).toBeLessThan(FLOAT32);
      }
      const hips = objects.get('hips')!.getWorldPosition(new Vector3());
      const [x, y, z] = pose.positions.subarray(body.roles.hips! * 3, body.roles.hips! * 3 + 3);
      expect(hips.distanceTo(new Vector3(x, y, z))).toBeLessThan(FLOAT32);
    }
  });

  it('of a figure whose joints are just the bones puts every joint where the clip has it', async () => {
    const actor = figure({ rollSeed: 9 });
    const clip = wander(actor, 8, 1);
    const { gltf, mixer, objects } = await play(
      writeVrmAnimation(humanoid(actor), [clip], { keepAllKeys: true }).bytes,
    );
    mixer.clipAction(gltf.animations[0]!).play();
    const scratch = restLocalPose(actor.skeleton);
    const pose = createWorldPose(actor.skeleton.jointCount);
    for (let f = 0; f < clip.frameCount - 1; f++) {
      mixer.setTime(f * clip.frameDuration);
      gltf.scene.updateMatrixWorld(true);
      framePose(actor.skeleton, clip, f, scratch, pose);
      for (const [role, joint] of Object.entries(actor.body.roles)) {
        if (role.endsWith('Eye')) continue;
        const [x, y, z] = pose.positions.subarray(joint * 3, joint * 3 + 3);
        expect(
          objects
            .get(role)!
            .getWorldPosition(new Vector3())
            .distanceTo(new Vector3(x, y, z)),
        ).toBeLessThan(FLOAT32);
      }
    }
  });

  it('rests in the T-pose: arms level along x, legs down, facing +Z', async () => {
    const { rest } = await play(writeVrmAnimation(humanoid(figure({ restTurns: {} })), [wander(figure(), 2)]).bytes);
    const along = (from: Role, to: Role) => rest.get(to)!.clone().sub(rest.get(from)!).normalize();
    // VRM 1.0, humanoid: T-pose with the arms along the x axis; the character's left is +X when it faces +Z.
    expect(along('leftUpperArm', 'leftHand').x).toBeGreaterThan(0.999);
    expect(along('rightUpperArm', 'rightHand').x).toBeLessThan(-0.999);
    expect(along('leftUpperLeg', 'leftFoot').y).toBeLessThan(-0.99);
    expect(along('leftFoot', 'leftToes').z).toBeGreaterThan(0.5);
  });

  it('declares the humanoid table of the standard, and passes the Khronos validator', async () => {
    const actor = figure({ rollSeed: 1 });
    const written = writeVrmAnimation(humanoid(actor), [wander(actor, 20)]);
    const document = documentOf(parseContainer(written.bytes, 'figure.vrma'));
    const extension = document.extensions!.VRMC_vrm_animation as {
      specVersion: string;
      humanoid: { humanBones: { [role: string]: { node: number } } };
    };
    expect(extension.specVersion).toBe('1.0');
    expect(document.extensionsUsed).toEqual(['VRMC_vrm_animation']);
    const { humanBones } = extension.humanoid;
    const expected = Object.keys(actor.body.roles).filter((role) => !role.endsWith('Eye'));
    expect(Object.keys(humanBones).sort()).toEqual(expected.sort());
    for (const [role, { node }] of Object.entries(humanBones)) expect(document.nodes![node]!.name).toBe(role);
    // Only the hips are moved, and nothing is scaled.
    const paths = document.animations![0]!.channels.filter(({ target }) => target.path !== 'rotation');
    expect(paths.map(({ target }) => [target.node, target.path])).toEqual([[humanBones.hips!.node, 'translation']]);
    const { issues } = await validateBytes(written.bytes);
    expect(issues.messages.filter(({ code }) => code !== 'NODE_EMPTY' && code !== 'UNSUPPORTED_EXTENSION')).toEqual([]);
  });

  it('needs the hips', () => {
    const actor = figure();
    const { hips: _, ...roles } = actor.body.roles;
    expect(() => writeVrmAnimation({ ...humanoid(actor), roles }, [wander(actor, 3)])).toThrow(
      expect.objectContaining({ code: 'VRMA_NO_HIPS' }),
    );
  });
});

describe('the pose conversion of the VRM animation standard', () => {
  // VRMC_vrm_animation-1.0, 'how to transform human pose': normalised local rotation = W(parent) · local · W⁻¹, W the
  // world rotation in the T-pose (from memory of the standard).
  it('gives the keys that are written, where joints and bones correspond one to one', () => {
    const actor = figure({ rollSeed: 4 });
    const clip = wander(actor, 5, 2);
    const { skeleton, alignment, body } = actor;
    const container = parseContainer(writeVrmAnimation(humanoid(actor), [clip], { keepAllKeys: true }).bytes, 'a.vrma');
    const { animations, accessors, bufferViews, nodes } = documentOf(container);
    const { channels, samplers } = animations![0]!;
    const scratch = restLocalPose(skeleton);
    let compared = 0;
    for (const { target, sampler } of channels) {
      if (target.path !== 'rotation') continue;
      const accessor = accessors![samplers[sampler]!.output]!;
      const view = bufferViews![accessor.bufferView!]!;
      const bytes = container.buffers[0]!.slice((view.byteOffset ?? 0) + (accessor.byteOffset ?? 0));
      const keys = new Float32Array(bytes.buffer, 0, accessor.count * 4);
      const joint = body.roles[nodes![target.node!]!.name as Role]!;
      const parent = skeleton.parents[joint]!;
      const parentRest = parent < 0 ? Float64Array.of(0, 0, 0, 1) : alignment.posture.slice(parent * 4, parent * 4 + 4);
      for (let f = 0; f < accessor.count; f++) {
        readFrame(clip, f, scratch);
        const normalised = new Float64Array(4);
        toNormalisedLocal(normalised, 0, parentRest, 0, scratch.rotations, joint * 4, alignment.posture, joint * 4);
        expect(angleBetweenQuats(normalised, 0, keys, f * 4)).toBeLessThan(FLOAT32);
        compared++;
      }
    }
    expect(compared).toBeGreaterThan(60);
  });

  it('carries a pose to the same bones with other joint axes: world directions stay', () => {
    const from = figure({ rollSeed: 4 });
    const to = figure({ rollSeed: 8 });
    const clip = wander(from, 3, 2);
    const [a, b] = [restLocalPose(from.skeleton), restLocalPose(to.skeleton)];
    const [poseA, poseB] = [createWorldPose(from.skeleton.jointCount), createWorldPose(to.skeleton.jointCount)];
    const identity = Float64Array.of(0, 0, 0, 1);
    framePose(from.skeleton, clip, 2, a, poseA);
    for (let j = 0; j < from.skeleton.jointCount; j++) {
      const p = from.skeleton.parents[j]!;
      const [restA, restB] = [from.alignment.posture, to.alignment.posture];
      const q = new Float64Array(4);
      toNormalisedLocal(q, 0, p < 0 ? identity : restA, Math.max(p, 0) * 4, a.rotations, j * 4, restA, j * 4);
      fromNormalisedLocal(q, 0, p < 0 ? identity : restB, Math.max(p, 0) * 4, q, 0, restB, j * 4);
      b.rotations.set(q, j * 4);
      if (p < 0) b.translations.set(a.translations.subarray(j * 3, j * 3 + 3), j * 3);
    }
    const moved = {
      ...clip,
      frameCount: 1,
      rotations: Float32Array.from(b.rotations),
      translationJoints: new Int16Array(0),
      translations: new Float32Array(0),
    };
    framePose(to.skeleton, moved, 0, b, poseB);
    poseA.positions.forEach((value, i) => {
      expect(poseB.positions[i]).toBeCloseTo(value, 5);
    });
    // And the world rotations differ from each other by the joint axes alone.
    const [x, y] = [new Float64Array(4), new Float64Array(4)];
    for (let j = 0; j < from.skeleton.jointCount; j++) {
      mulInverseQuat(x, 0, from.alignment.posture, j * 4, poseA.rotations, j * 4);
      mulInverseQuat(y, 0, to.alignment.posture, j * 4, poseB.rotations, j * 4);
      expect(2 * Math.acos(Math.min(1, Math.abs(x[3]!)))).toBeCloseTo(2 * Math.acos(Math.min(1, Math.abs(y[3]!))), 2);
    }
  });
});
