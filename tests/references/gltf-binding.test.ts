import fc from 'fast-check';
import { Matrix4, Object3D, Quaternion, Vector3 } from 'three';
import { describe, expect, it } from 'vitest';
import type { Character } from '../../src/formats/gltf/character.ts';
import { parseContainer } from '../../src/formats/gltf/container.ts';
import { fromNodeTransforms, toNodeTransforms } from '../../src/formats/gltf/node-binding.ts';
import { readCharacter } from '../../src/formats/gltf/read-character.ts';
import { angleBetweenQuats } from '../../src/math/quat.ts';
import { createWorldPose, forwardKinematics, restWorldPose } from '../../src/skeleton/skeleton.ts';
import { GltfBuilder } from '../support/gltf-builder.ts';

// Reference: three 0.187, Object3D and Matrix4.

/** Of the size of the chain: Float64 throughout, seven nodes in a row, each scaled by 0.01 to 100. */
const TOLERANCE = 1e-9;

interface LocalNode {
  translation: [number, number, number];
  rotation: [number, number, number, number];
  scale: [number, number, number];
}

const coordinate = fc.double({ min: -2, max: 2, noNaN: true });
const rotation = fc
  .tuple(coordinate, coordinate, coordinate, coordinate)
  .filter((q) => Math.hypot(...q) > 0.1)
  .map((q) => q.map((value) => value / Math.hypot(...q)) as LocalNode['rotation']);
const factor = fc.oneof(
  { weight: 3, arbitrary: fc.constantFrom(1, 0.01, 100, 0.38) },
  { weight: 1, arbitrary: fc.double({ min: 0.5, max: 2, noNaN: true }) },
);
const sign = fc.constantFrom(1, 1, 1, -1);
const uniform = fc.tuple(factor, sign, sign, sign).map(([k, x, y, z]) => [k * x, k * y, k * z] as LocalNode['scale']);
const uneven = fc.tuple(factor, factor, factor).map((k) => k as LocalNode['scale']);
const nodesWith = (scale: fc.Arbitrary<LocalNode['scale']>): fc.Arbitrary<LocalNode[]> =>
  fc.array(fc.record({ translation: fc.tuple(coordinate, coordinate, coordinate), rotation, scale }), {
    minLength: 3,
    maxLength: 7,
  });

/** Every second node of a chain is written as a matrix; the first is above the skeleton. */
function chain(nodes: readonly LocalNode[]): { character: Character; objects: Object3D[] } {
  const builder = new GltfBuilder();
  const objects = nodes.map(() => new Object3D());
  const indices = builder.chain(
    nodes.map((node, i) => {
      const object = objects[i]!;
      object.position.fromArray(node.translation);
      object.quaternion.fromArray(node.rotation);
      object.scale.fromArray(node.scale);
      object.updateMatrix();
      objects[i - 1]?.add(object);
      return i % 2 === 0 ? { name: `n${i}`, ...node } : { name: `n${i}`, matrix: Array.from(object.matrix.elements) };
    }),
  );
  builder.scene([indices[0]!]);
  builder.skin(indices.slice(1));
  objects[0]!.updateMatrixWorld(true);
  return { character: readCharacter(parseContainer(builder.glb(), 'chain.glb')), objects };
}

function sizeOf(objects: readonly Object3D[]): number {
  return Math.max(1, ...objects.map((object) => new Vector3().setFromMatrixPosition(object.matrixWorld).length()));
}

describe('nodes against three', () => {
  it('puts joints where three puts nodes, under any scales, mirrors and matrices', () => {
    fc.assert(
      fc.property(nodesWith(fc.oneof(uniform, uneven)), (nodes) => {
        const { character, objects } = chain(nodes);
        const { positions } = restWorldPose(character.skeleton);
        const position = new Vector3();
        for (let j = 0; j < character.skeleton.jointCount; j++) {
          position.setFromMatrixPosition(objects[character.binding.nodes[j]!]!.matrixWorld);
          const away = new Vector3(positions[j * 3], positions[j * 3 + 1], positions[j * 3 + 2]).distanceTo(position);
          expect(away).toBeLessThan(TOLERANCE * sizeOf(objects));
        }
      }),
      { seed: 7, numRuns: 200 },
    );
  });

  it('rigid transform times remainder is the world matrix', () => {
    fc.assert(
      fc.property(nodesWith(fc.oneof(uniform, uneven)), (nodes) => {
        const { character, objects } = chain(nodes);
        const { rotations, positions } = restWorldPose(character.skeleton);
        const { remainders } = character.binding;
        for (let j = 0; j < character.skeleton.jointCount; j++) {
          const rigid = new Matrix4().compose(
            new Vector3().fromArray(positions, j * 3),
            new Quaternion().fromArray(rotations, j * 4),
            new Vector3(1, 1, 1),
          );
          const m = remainders.subarray(j * 12, j * 12 + 12);
          rigid.multiply(new Matrix4().fromArray([...m, 0, 0, 0, 1]).transpose());
          const expected = objects[character.binding.nodes[j]!]!.matrixWorld;
          const scale = Math.max(...expected.elements.map(Math.abs));
          rigid.elements.forEach((value, k) => {
            expect(Math.abs(value - expected.elements[k]!)).toBeLessThan(TOLERANCE * scale);
          });
        }
      }),
      { seed: 8, numRuns: 200 },
    );
  });

  it('node transforms written for a pose show that pose, where scales are even or mirrored', () => {
    fc.assert(
      fc.property(nodesWith(uniform), fc.array(rotation, { minLength: 7, maxLength: 7 }), (nodes, turns) => {
        const { character, objects } = chain(nodes);
        const { skeleton, binding } = character;
        const local = {
          rotations: Float64Array.from(turns.slice(0, skeleton.jointCount).flat()),
          translations: skeleton.restTranslations.map((value, k) => value * (1 + 0.1 * (k % 3))),
        };
        const wanted = createWorldPose(skeleton.jointCount);
        forwardKinematics(skeleton.parents, local.rotations, local.translations, wanted);
        const node = { rotations: new Float64Array(local.rotations.length), translations: local.translations.slice() };
        toNodeTransforms(binding, local, node);
        for (let j = 0; j < skeleton.jointCount; j++) {
          const object = objects[binding.nodes[j]!]!;
          object.quaternion.fromArray(node.rotations, j * 4);
          object.position.fromArray(node.translations, j * 3);
          // A matrix that is keyed has to be given up for translation, rotation and scale: this scale.
          object.scale.fromArray(binding.scales, j * 3);
        }
        objects[0]!.updateMatrixWorld(true);
        const size = sizeOf(objects);
        for (let j = 0; j < skeleton.jointCount; j++) {
          const shown = new Vector3().setFromMatrixPosition(objects[binding.nodes[j]!]!.matrixWorld);
          expect(shown.distanceTo(new Vector3().fromArray(wanted.positions, j * 3))).toBeLessThan(TOLERANCE * size);
        }
      }),
      { seed: 9, numRuns: 200 },
    );
  });

  it('converts to nodes and back without loss, under any scales', () => {
    fc.assert(
      fc.property(nodesWith(fc.oneof(uniform, uneven)), (nodes) => {
        const { skeleton, binding } = chain(nodes).character;
        const rest = { rotations: skeleton.restRotations, translations: skeleton.restTranslations };
        const there = { rotations: rest.rotations.slice(), translations: rest.translations.slice() };
        toNodeTransforms(binding, there, there);
        const back = { rotations: there.rotations.slice(), translations: there.translations.slice() };
        fromNodeTransforms(binding, back, back);
        for (let j = 0; j < skeleton.jointCount; j++) {
          expect(angleBetweenQuats(back.rotations, j * 4, rest.rotations, j * 4)).toBeLessThan(TOLERANCE);
          const i = binding.nodes[j]!;
          // The node's own numbers come out again, for those that the file gives as numbers.
          if (i % 2 === 0) {
            expect(angleBetweenQuats(there.rotations, j * 4, nodes[i]!.rotation, 0)).toBeLessThan(TOLERANCE);
            nodes[i]!.translation.forEach((value, k) => {
              expect(Math.abs(there.translations[j * 3 + k]! - value)).toBeLessThan(1e-7);
            });
          }
        }
        const size = Math.max(1, ...rest.translations.map(Math.abs));
        back.translations.forEach((value, k) => {
          expect(Math.abs(value - rest.translations[k]!)).toBeLessThan(TOLERANCE * size);
        });
      }),
      { seed: 10, numRuns: 200 },
    );
  });
});
