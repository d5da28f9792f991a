/**
 * Rigs with known faults, made from the clean sample: what an audit has to find, and where.
 *
 *   npx tsx samples/faulty.ts [folder]      writes faulty.glb and faulty.json, default out/samples
 */
import { mkdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { type Document as GltfDocument, NodeIO } from '@gltf-transform/core';
import { CHARACTERS } from './characters.ts';
import { add, DEGREE, IDENTITY, mixVec, sub, turn, type Vec, Z } from './math.ts';
import { type Joint, type Rig, toDocument } from './rig.ts';

/** One planted fault, as it stands in the list beside the file. */
export interface PlantedFault {
  id: string;
  /** In the artist's words. */
  what: string;
  /** Names in the file. */
  joints: string[];
  /** Vertices of the body mesh that are at fault; empty where the fault is in the joints. */
  vertices: number[];
}

interface Recipe {
  id: string;
  what: string;
  /** Keys of the joints at fault. */
  joints: string[];
  /** Changes the rig before it is written; returns the vertices at fault. */
  plant?: (rig: Rig) => number[];
  /** Changes the written document, for what a sound rig cannot hold; returns the vertices at fault. */
  plantInDocument?: (document: GltfDocument, rig: Rig) => number[];
}

const jointOf = (rig: Rig, key: string): Joint => rig.joints.find((joint) => joint.key === key)!;

function move(rig: Rig, key: string, by: Vec): void {
  const joint = jointOf(rig, key);
  joint.position = add(joint.position, by);
}

/** Vertices for which `test` holds, by weights and place. */
function verticesWhere(rig: Rig, test: (weights: ReadonlyMap<string, number>, at: Vec) => boolean): number[] {
  return rig.shell.positions.flatMap((at, v) => (test(rig.shell.weights[v]!, at) ? [v] : []));
}

function reweigh(rig: Rig, vertices: readonly number[], change: (weights: Map<string, number>) => void): number[] {
  for (const v of vertices) {
    const weights = new Map(rig.shell.weights[v]!);
    change(weights);
    rig.shell.weights[v] = weights;
  }
  return [...vertices];
}

const hasOnly = (weights: ReadonlyMap<string, number>, key: string): boolean => (weights.get(key) ?? 0) > 0.999;

function weightArrays(document: GltfDocument): { joints: Uint8Array; weights: Float32Array } {
  const primitive = document.getRoot().listMeshes()[0]!.listPrimitives()[0]!;
  return {
    joints: primitive.getAttribute('JOINTS_0')!.getArray() as Uint8Array,
    weights: primitive.getAttribute('WEIGHTS_0')!.getArray() as Float32Array,
  };
}

function skinIndex(document: GltfDocument, rig: Rig, key: string): number {
  const { name } = jointOf(rig, key);
  const skin = document.getRoot().listSkins()[0]!;
  return skin.listJoints().findIndex((node) => node.getName() === name);
}

const RECIPES: readonly Recipe[] = [
  {
    id: 'side-name-style',
    what: 'One joint spells its side in another way than all the others.',
    joints: ['rightLowerArm'],
    plant: (rig) => {
      jointOf(rig, 'rightLowerArm').name = 'right_LowArm';
      return [];
    },
  },
  {
    id: 'side-name-partner',
    what: 'A joint of the left hand has lost its side, so that its right partner stands alone.',
    joints: ['leftRingDistal', 'rightRingDistal'],
    plant: (rig) => {
      jointOf(rig, 'leftRingDistal').name = 'Ring3';
      return [];
    },
  },
  {
    id: 'mirror-position',
    what: 'The right collar bone starts 30 mm higher than the left one.',
    joints: ['rightShoulder'],
    plant: (rig) => {
      move(rig, 'rightShoulder', [0, 0.03, 0]);
      return [];
    },
  },
  {
    id: 'mirror-orientation',
    what: 'The rest orientation of the left foot is rolled by 60 degrees against the right one.',
    joints: ['leftFoot'],
    plant: (rig) => {
      jointOf(rig, 'leftFoot').rotation = turn(Z, 60 * DEGREE);
      return [];
    },
  },
  {
    id: 'joint-outside-mesh',
    what: 'The second joint of the right thumb hangs 70 mm below the hand.',
    joints: ['rightThumbProximal'],
    plant: (rig) => {
      move(rig, 'rightThumbProximal', [0, -0.07, 0]);
      return [];
    },
  },
  {
    id: 'zero-length-joint',
    what: 'Two spine joints stand at one place.',
    joints: ['spine', 'chest'],
    plant: (rig) => {
      jointOf(rig, 'chest').position = jointOf(rig, 'spine').position;
      return [];
    },
  },
  {
    id: 'straight-knee',
    what: 'Both knees are dead straight: nothing tells a solver which way they bend.',
    joints: ['leftLowerLeg', 'rightLowerLeg'],
    plant: (rig) => {
      for (const side of ['left', 'right']) {
        const hip = jointOf(rig, `${side}UpperLeg`).position;
        const ankle = jointOf(rig, `${side}Foot`).position;
        const knee = jointOf(rig, `${side}LowerLeg`);
        knee.position = mixVec(hip, ankle, (hip[1] - knee.position[1]) / (hip[1] - ankle[1]));
      }
      return [];
    },
  },
  {
    id: 'elbow-backwards',
    what: 'Both elbows are bent the wrong way: they stand before the line from shoulder to wrist.',
    joints: ['leftLowerArm', 'rightLowerArm'],
    plant: (rig) => {
      for (const side of ['left', 'right']) {
        const straight = mixVec(jointOf(rig, `${side}UpperArm`).position, jointOf(rig, `${side}Hand`).position, 0.5);
        const elbow = jointOf(rig, `${side}LowerArm`);
        const back = sub(elbow.position, straight)[2];
        elbow.position = add(elbow.position, [0, 0, -2 * back]);
      }
      return [];
    },
  },
  {
    id: 'limb-chain',
    what: 'The right foot hangs from the hips, not from the lower leg.',
    joints: ['rightFoot'],
    plant: (rig) => {
      jointOf(rig, 'rightFoot').parent = 'hips';
      return [];
    },
  },
  {
    id: 'control-weight',
    what: 'The pole target of the left knee carries skin of the shin.',
    joints: ['leftKneePole'],
    plant: (rig) => {
      for (const side of ['left', 'right'] as const) {
        rig.joints.push({
          key: `${side}KneePole`,
          name: side === 'left' ? 'KneePole.L' : 'KneePole.R',
          parent: null,
          position: add(jointOf(rig, `${side}LowerLeg`).position, [0, 0, 0.5]),
          rotation: IDENTITY,
          marker: side === 'right',
        });
      }
      const shin = verticesWhere(rig, (weights, at) => hasOnly(weights, 'leftLowerLeg') && at[1] > 0.3 && at[1] < 0.45);
      return reweigh(rig, shin, (weights) => {
        weights.set('leftLowerLeg', 0.75).set('leftKneePole', 0.25);
      });
    },
  },
  {
    id: 'idle-joint',
    what: 'The right toes move no skin; the foot carries it all.',
    joints: ['rightToes'],
    plant: (rig) => {
      const toes = verticesWhere(rig, (weights) => weights.has('rightToes'));
      return reweigh(rig, toes, (weights) => {
        weights.clear();
        weights.set('rightFoot', 1);
      });
    },
  },
  {
    id: 'no-weight',
    what: 'Some vertices of the belly belong to no joint.',
    joints: [],
    plantInDocument: (document, rig) => {
      const belly = verticesWhere(
        rig,
        (weights, [x, y, z]) => weights.has('spine') && z > 0.06 && y > 1.27 && y < 1.37 && Math.abs(x) < 0.1,
      );
      const { joints, weights } = weightArrays(document);
      for (const v of belly) {
        weights.fill(0, v * 4, v * 4 + 4);
        joints.fill(0, v * 4, v * 4 + 4);
      }
      return belly;
    },
  },
  {
    id: 'weight-sum',
    what: 'Weights of the left forearm sum to 0.7.',
    joints: ['leftLowerArm'],
    plantInDocument: (document, rig) => {
      const forearm = verticesWhere(rig, (weights) => hasOnly(weights, 'leftLowerArm'));
      const { weights } = weightArrays(document);
      for (const v of forearm) for (let i = v * 4; i < v * 4 + 4; i++) weights[i]! *= 0.7;
      return forearm;
    },
  },
  {
    id: 'bleed',
    what: 'The left thigh drags along the middle of the right one.',
    joints: ['leftUpperLeg'],
    plant: (rig) => {
      const thigh = verticesWhere(
        rig,
        (weights, at) => hasOnly(weights, 'rightUpperLeg') && at[1] > 0.7 && at[1] < 0.9,
      );
      return reweigh(rig, thigh, (weights) => {
        weights.set('rightUpperLeg', 0.65).set('leftUpperLeg', 0.35);
      });
    },
  },
  {
    id: 'uneven-scale',
    what: 'The last joint of the right middle finger is stretched by 1.3 along one axis.',
    joints: ['rightMiddleDistal'],
    plantInDocument: (document, rig) => {
      const index = skinIndex(document, rig, 'rightMiddleDistal');
      const skin = document.getRoot().listSkins()[0]!;
      skin.listJoints()[index]!.setScale([1, 1.3, 1]);
      // The bind pose follows, so that the finger looks right until it turns.
      const inverse = skin.getInverseBindMatrices()!.getArray()!;
      for (let column = 0; column < 4; column++) inverse[index * 16 + column * 4 + 1]! /= 1.3;
      return [];
    },
  },
  {
    id: 'inverse-bind',
    what: 'The inverse bind matrix of the left index finger is 40 mm off.',
    joints: ['leftIndexProximal'],
    plantInDocument: (document, rig) => {
      const index = skinIndex(document, rig, 'leftIndexProximal');
      document.getRoot().listSkins()[0]!.getInverseBindMatrices()!.getArray()![index * 16 + 13]! += 0.04;
      return [];
    },
  },
  {
    id: 'weight-mirror',
    what: 'Around the left knee the shin takes a quarter more weight than around the right one.',
    joints: ['leftUpperLeg', 'leftLowerLeg'],
    plant: (rig) => {
      const knee = verticesWhere(rig, (weights) => weights.has('leftUpperLeg') && weights.has('leftLowerLeg'));
      return reweigh(rig, knee, (weights) => {
        const moved = Math.min(0.25, weights.get('leftUpperLeg')!);
        weights.set('leftUpperLeg', weights.get('leftUpperLeg')! - moved);
        weights.set('leftLowerLeg', weights.get('leftLowerLeg')! + moved);
      });
    },
  },
  {
    id: 'below-floor',
    what: 'The character stands 40 mm under the floor.',
    joints: ['leftFoot', 'rightFoot'],
    plant: (rig) => {
      for (const joint of rig.joints) joint.position = add(joint.position, [0, -0.04, 0]);
      rig.shell.positions.forEach((at, v) => {
        rig.shell.positions[v] = add(at, [0, -0.04, 0]);
      });
      return [];
    },
  },
  {
    id: 'negative-weight',
    what: 'Some vertices of the right upper arm have a negative weight.',
    joints: ['rightUpperArm'],
    plantInDocument: (document, rig) => {
      const arm = verticesWhere(rig, (weights) => hasOnly(weights, 'rightUpperArm'));
      const { joints, weights } = weightArrays(document);
      const shoulder = skinIndex(document, rig, 'rightShoulder');
      for (const v of arm) {
        joints[v * 4 + 1] = shoulder;
        weights[v * 4] = 1.2;
        weights[v * 4 + 1] = -0.2;
      }
      return arm;
    },
  },
  {
    id: 'five-influences',
    what: 'Some vertices of the back follow five joints.',
    joints: ['hips', 'spine', 'chest', 'upperChest', 'neck'],
    plantInDocument: (document, rig) => {
      const back = verticesWhere(rig, (weights, at) => weights.has('chest') && at[2] < -0.07);
      const { joints, weights } = weightArrays(document);
      const more = { joints: new Uint8Array(joints.length), weights: new Float32Array(weights.length) };
      const spine = ['hips', 'spine', 'chest', 'upperChest', 'neck'].map((key) => skinIndex(document, rig, key));
      for (const v of back) {
        joints.set(spine.slice(0, 4), v * 4);
        weights.fill(0.2, v * 4, v * 4 + 4);
        more.joints[v * 4] = spine[4]!;
        more.weights[v * 4] = 0.2;
      }
      const buffer = document.getRoot().listBuffers()[0]!;
      document
        .getRoot()
        .listMeshes()[0]!
        .listPrimitives()[0]!
        .setAttribute('JOINTS_1', document.createAccessor().setType('VEC4').setArray(more.joints).setBuffer(buffer))
        .setAttribute('WEIGHTS_1', document.createAccessor().setType('VEC4').setArray(more.weights).setBuffer(buffer));
      return back;
    },
  },
];

/** All faults that can be planted. */
export const FAULT_IDS: readonly string[] = RECIPES.map(({ id }) => id);

/** The fifteen of `faulty.glb`: they do not hide one another. */
export const FIFTEEN_FAULTS: readonly string[] = FAULT_IDS.slice(0, 15);

/**
 * The clean sample with the given faults and no other, as a GLB, and the list of what was planted.
 * The file breaks rules of glTF where the fault is one (weights that do not sum to 1).
 */
export async function makeFaulty(ids: readonly string[]): Promise<{ glb: Uint8Array; planted: PlantedFault[] }> {
  const rig = CHARACTERS.tamsel!();
  rig.name = 'faulty';
  const recipes = ids.map((id) => {
    const recipe = RECIPES.find((candidate) => candidate.id === id);
    if (!recipe) throw new Error(`no fault ${id}; there are ${FAULT_IDS.join(', ')}`);
    return recipe;
  });
  const vertices = new Map<string, number[]>();
  for (const { id, plant } of recipes) vertices.set(id, plant?.(rig) ?? []);
  const document = toDocument(rig);
  for (const { id, plantInDocument } of recipes) {
    if (plantInDocument) vertices.set(id, plantInDocument(document, rig));
  }
  const planted = recipes.map(({ id, what, joints }) => ({
    id,
    what,
    joints: joints.map((key) => jointOf(rig, key).name),
    vertices: vertices.get(id)!,
  }));
  return { glb: await new NodeIO().writeBinary(document), planted };
}

if (process.argv[1] === fileURLToPath(import.meta.url)) {
  const folder = process.argv[2] ?? 'out/samples';
  mkdirSync(folder, { recursive: true });
  const { glb, planted } = await makeFaulty(FIFTEEN_FAULTS);
  writeFileSync(join(folder, 'faulty.glb'), glb);
  writeFileSync(join(folder, 'faulty.json'), `${JSON.stringify(planted, null, 2)}\n`);
  console.log(`${join(folder, 'faulty.glb')}  ${planted.length} faults, listed in faulty.json`);
}
