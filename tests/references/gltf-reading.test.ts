import { AnimationMixer, LoopOnce, type Mesh, type Object3D, SkinnedMesh, Vector3 } from 'three';
import { describe, expect, it } from 'vitest';
import type { Character } from '../../src/formats/gltf/character.ts';
import { readAnimation } from '../../src/formats/gltf/read-animation.ts';
import { framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createWorldPose, type WorldPose } from '../../src/skeleton/skeleton.ts';
import { skinVertices } from '../../src/skeleton/skin.ts';
import { HAS_RIGS, nodeRestWorld, RIG_FILES, RIGS_REASON, readRig, rigTruth } from '../support/rigs.ts';
import { loadWithThree, type ThreeGltf } from '../support/three-gltf.ts';

// Reference: three 0.187, GLTFLoader, Object3D, SkinnedMesh and AnimationMixer.

/** Of the size of the skeleton. Matrices in Float64 against quaternions in Float64: the worst rig was off by 1.2e-7. */
const NODE_REST_TOLERANCE = 1e-6;
/** Of the size. Float32 clip values, and scales such as 0.99998 that a rigid skeleton does not shear: at worst 3.4e-6. */
const ANIMATED_TOLERANCE = 1e-5;

const sizeOf = (pose: WorldPose): number => {
  let low = Number.POSITIVE_INFINITY;
  let high = Number.NEGATIVE_INFINITY;
  for (let k = 0; k < pose.positions.length; k++) {
    low = Math.min(low, pose.positions[k]!);
    high = Math.max(high, pose.positions[k]!);
  }
  return high - low;
};

/** Largest distance of a joint from three's object of its node. */
function worstJoint(character: Character, pose: WorldPose, { objects }: ThreeGltf): number {
  const position = new Vector3();
  let worst = 0;
  for (let j = 0; j < character.skeleton.jointCount; j++) {
    objects.get(character.binding.nodes[j]!)!.getWorldPosition(position);
    const [x, y, z] = pose.positions.subarray(j * 3, j * 3 + 3) as unknown as [number, number, number];
    worst = Math.max(worst, Math.hypot(position.x - x, position.y - y, position.z - z));
  }
  return worst;
}

/** Largest distance of every 7th vertex from where three draws it, and how many were compared. */
function worstVertex(character: Character, pose: WorldPose, { objects }: ThreeGltf): [worst: number, count: number] {
  const point = new Vector3();
  let worst = 0;
  let count = 0;
  const meshNodes = meshNodesInOrder(character);
  character.skins.forEach((skin, s) => {
    const vertices = new Float64Array(skin.vertexCount * 3);
    skinVertices(skin, pose, vertices, new Float64Array(skin.bind.length));
    const object = objects.get(meshNodes[s]!)!;
    const meshes = ('isMesh' in object ? [object] : object.children.filter((child) => 'isMesh' in child)) as Mesh[];
    const firstOf = new Map<unknown, number>();
    let next = 0;
    for (const mesh of meshes) {
      const { position } = mesh.geometry.attributes;
      if (!firstOf.has(position)) {
        firstOf.set(position, next);
        next += position!.count;
      }
      for (let v = 0; v < position!.count; v += 7) {
        if (mesh instanceof SkinnedMesh && weightSum(mesh, v) === 0) continue;
        mesh.getVertexPosition(v, point).applyMatrix4(mesh.matrixWorld);
        const at = (firstOf.get(position)! + v) * 3;
        const distance = Math.hypot(point.x - vertices[at]!, point.y - vertices[at + 1]!, point.z - vertices[at + 2]!);
        worst = Math.max(worst, distance);
        count++;
      }
    }
    expect(next).toBe(skin.vertexCount);
  });
  return [worst, count];
}

function weightSum(mesh: SkinnedMesh, v: number): number {
  const { skinWeight } = mesh.geometry.attributes;
  return [0, 1, 2, 3].reduce((sum, k) => sum + skinWeight!.getComponent(v, k), 0);
}

/** Skins are read in the order in which the tree is walked: depth first, children in file order. */
function meshNodesInOrder(character: Character): number[] {
  const nodes = character.container.json.nodes as { mesh?: number }[];
  const skinned = Array.from(character.nodes.order).filter((i) => nodes[i]!.mesh !== undefined);
  expect(skinned.length).toBe(character.skins.length);
  return skinned;
}

describe.skipIf(!HAS_RIGS)(`characters against three${RIGS_REASON}`, () => {
  it.each(RIG_FILES)('%s: every joint stands where three puts its node', async (file) => {
    const { container, character } = await readRig(file);
    const three = await loadWithThree(container);
    const pose = nodeRestWorld(character);
    expect(worstJoint(character, pose, three)).toBeLessThan(NODE_REST_TOLERANCE * sizeOf(pose));
  });

  it.each(RIG_FILES)('%s: every vertex stands where three draws it', async (file) => {
    const { container, character } = await readRig(file);
    const three = await loadWithThree(container);
    const pose = nodeRestWorld(character);
    const [worst, count] = worstVertex(character, pose, three);
    expect(worst).toBeLessThan(NODE_REST_TOLERANCE * sizeOf(pose));
    // The one file without any mesh has none to compare.
    if (file !== 'stocky_moves_nomesh.glb') expect(count).toBeGreaterThan(0);
  });

  it.each(RIG_FILES)('%s: clips put every joint where the mixer of three puts its node', async (file) => {
    const { container, character } = await readRig(file);
    const { skeleton } = character;
    const size = sizeOf(nodeRestWorld(character));
    const pose = createWorldPose(skeleton.jointCount);
    const three = await loadWithThree(container);
    expect(character.animations.length).toBe(rigTruth()[file]!.animations);
    for (let a = 0; a < character.animations.length; a++) {
      const { clip, startTime } = readAnimation(character, a, 60);
      const scratch = restLocalPose(skeleton);
      const mixer = playing(three, a);
      const step = Math.max(1, Math.floor(clip.frameCount / 12));
      for (let f = 0; f < clip.frameCount - 1; f += step) {
        mixer.setTime(startTime + f * clip.frameDuration);
        three.scene.updateMatrixWorld(true);
        framePose(skeleton, clip, f, scratch, pose);
        expect(worstJoint(character, pose, three)).toBeLessThan(ANIMATED_TOLERANCE * size);
        if (f === step * 5) expect(worstVertex(character, pose, three)[0]).toBeLessThan(ANIMATED_TOLERANCE * size);
      }
      mixer.stopAllAction();
    }
  });

  // The table does not say in which pose the two that are no humanoids were measured, and two files have no body mesh.
  const measured = RIG_FILES.filter((file) => {
    const truth = HAS_RIGS ? rigTruth()[file]! : null;
    return truth?.humanoid && /mesh/.test(truth.height_from) && !/no head mesh/.test(truth.height_from);
  });
  it.each(measured)('%s: the mesh is as tall as the truth table says', async (file) => {
    const { character } = await readRig(file);
    expect(character.skins.length).toBeGreaterThan(0);
    const pose = createWorldPose(character.skeleton.jointCount);
    framePoseOfRest(character, pose);
    let low = Number.POSITIVE_INFINITY;
    let high = Number.NEGATIVE_INFINITY;
    for (const skin of character.skins) {
      const vertices = new Float64Array(skin.vertexCount * 3);
      skinVertices(skin, pose, vertices, new Float64Array(skin.bind.length));
      for (let k = 1; k < vertices.length; k += 3) {
        low = Math.min(low, vertices[k]!);
        high = Math.max(high, vertices[k]!);
      }
    }
    expect(high - low).toBeCloseTo(rigTruth()[file]!.height, 1);
  });
});

describe.skipIf(!HAS_RIGS)(`reference poses against the truth table${RIGS_REASON}`, () => {
  /** Where the table says T, both upper arms point sideways; drawn T-poses droop by a few degrees. */
  const T_TOLERANCE_DEGREES = 15;

  const humanoids = RIG_FILES.filter((file) => HAS_RIGS && rigTruth()[file]!.humanoid);
  it.each(humanoids)('%s: node rest or bind pose, whichever is a T', async (file) => {
    const { character } = await readRig(file);
    const truth = rigTruth()[file]!;
    const isBound = truth.rest_pose !== 'T' && truth.bind_pose === 'T';
    expect(character.referencePose.kind).toBe(isBound ? 'bind pose' : 'node rest');
    expect(character.skinned.filter((listed) => listed).length).toBe(truth.skin_joints);
    const pose = createWorldPose(character.skeleton.jointCount);
    framePoseOfRest(character, pose);
    const angles = (['left', 'right'] as const).map((side) => {
      const jointOf = (role: string): number => {
        const names = [truth.roles![role] ?? null].flat();
        return character.skeleton.names.indexOf(names.find((name) => name !== null)!);
      };
      const [upper, lower] = [jointOf(`${side}UpperArm`) * 3, jointOf(`${side}LowerArm`) * 3];
      const along = [0, 1, 2].map((k) => pose.positions[lower + k]! - pose.positions[upper + k]!);
      const axis = 'XYZ'.indexOf(truth.left[1]!);
      const sign = (truth.left[0] === '-' ? -1 : 1) * (side === 'left' ? 1 : -1);
      return (Math.acos((sign * along[axis]!) / Math.hypot(...along)) * 180) / Math.PI;
    });
    const isT = truth.rest_pose === 'T' || isBound;
    for (const angle of angles) {
      if (isT) expect(angle).toBeLessThan(T_TOLERANCE_DEGREES);
      else expect(angle).toBeGreaterThan(T_TOLERANCE_DEGREES);
    }
  });

  it.each(humanoids)('%s: every joint that the truth table names is there', async (file) => {
    const { character } = await readRig(file);
    const named = Object.values(rigTruth()[file]!.roles!)
      .flat()
      .filter((name) => name !== null);
    expect(named.length).toBeGreaterThan(10);
    for (const name of named) expect(character.skeleton.names).toContain(name);
  });
});

function framePoseOfRest({ skeleton }: Character, pose: WorldPose): void {
  framePose(
    skeleton,
    {
      name: '',
      frameCount: 1,
      frameDuration: 1,
      jointCount: skeleton.jointCount,
      rotations: Float32Array.from(skeleton.restRotations),
      translationJoints: new Int16Array(0),
      translations: new Float32Array(0),
    },
    0,
    restLocalPose(skeleton),
    pose,
  );
}

function playing(three: ThreeGltf, index: number): AnimationMixer {
  const mixer = new AnimationMixer(three.scene as Object3D);
  const action = mixer.clipAction(three.animations[index]!);
  action.setLoop(LoopOnce, 1);
  action.clampWhenFinished = true;
  action.play();
  return mixer;
}
