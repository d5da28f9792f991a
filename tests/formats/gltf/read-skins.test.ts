import { describe, expect, it } from 'vitest';
import { RigproofError } from '../../../src/errors.ts';
import type { Character } from '../../../src/formats/gltf/character.ts';
import { parseContainer } from '../../../src/formats/gltf/container.ts';
import { createDracoDecoder } from '../../../src/formats/gltf/draco.ts';
import { readContainerFile } from '../../../src/formats/gltf/node.ts';
import { readCharacter } from '../../../src/formats/gltf/read-character.ts';
import { restWorldPose } from '../../../src/skeleton/skeleton.ts';
import { skinVertices } from '../../../src/skeleton/skin.ts';
import { GltfBuilder } from '../../support/gltf-builder.ts';
import { HAS_RIGS, RIGS_REASON, rigPath } from '../../support/rigs.ts';

const SQUARE = [0, 0, 0, 1, 0, 0, 1, 1, 0, 0, 1, 0];

/** Two joints, the lower one at (0, 1, 0), and a square; the caller says how it is skinned. */
function skinnedSquare(
  attributes: (builder: GltfBuilder) => { [name: string]: number },
  more: (builder: GltfBuilder) => { [name: string]: unknown } = () => ({}),
): GltfBuilder {
  const builder = new GltfBuilder();
  const joints = builder.chain([{ name: 'a' }, { name: 'b', translation: [0, 1, 0] }]);
  const skin = builder.skin(joints);
  const mesh = builder.mesh(
    { POSITION: builder.accessor('VEC3', new Float32Array(SQUARE)), ...attributes(builder) },
    more(builder),
  );
  builder.scene([joints[0]!, builder.node({ name: 'square', mesh, skin })]);
  return builder;
}

const toJoint =
  (...indices: number[]) =>
  (builder: GltfBuilder) => ({
    JOINTS_0: builder.accessor('VEC4', new Uint8Array(indices.flatMap((index) => [index, 0, 0, 0]))),
    WEIGHTS_0: builder.accessor('VEC4', new Float32Array(indices.flatMap(() => [1, 0, 0, 0]))),
  });

const read = (builder: GltfBuilder): Character => readCharacter(parseContainer(builder.glb(), 'square.glb'));

function vertices(character: Character, s = 0): number[] {
  const skin = character.skins[s]!;
  const out = new Float64Array(skin.vertexCount * 3);
  skinVertices(skin, restWorldPose(character.skeleton), out, new Float64Array(skin.bind.length));
  return Array.from(out);
}

describe('skins', () => {
  it('moves each vertex with its joint', () => {
    const character = read(skinnedSquare(toJoint(0, 0, 1, 1)));
    expect(vertices(character)).toEqual([0, 0, 0, 1, 0, 0, 1, 2, 0, 0, 2, 0]);
    expect(Array.from(character.skins[0]!.triangles)).toEqual([0, 1, 2]); // the fourth vertex makes no triangle
  });

  it('unrolls strips and fans', () => {
    const strip = read(skinnedSquare(toJoint(0, 0, 0, 0), () => ({ mode: 5 })));
    expect(Array.from(strip.skins[0]!.triangles)).toEqual([0, 1, 2, 1, 3, 2]);
    const fan = read(skinnedSquare(toJoint(0, 0, 0, 0), () => ({ mode: 6 })));
    expect(Array.from(fan.skins[0]!.triangles)).toEqual([1, 2, 0, 2, 3, 0]);
  });

  it('leaves out points and lines, and says so', () => {
    const character = read(skinnedSquare(toJoint(0, 0, 0, 0), () => ({ mode: 1 })));
    expect(character.skins).toEqual([]);
    expect(character.notes.map(({ code }) => code)).toEqual(['GLTF_NOT_TRIANGLES']);
  });

  it('reads normalised weights, eight influences and indices of one byte', () => {
    const character = read(
      skinnedSquare(
        (builder) => ({
          JOINTS_0: builder.accessor('VEC4', new Uint16Array(16)),
          WEIGHTS_0: builder.accessor('VEC4', new Uint8Array(16).fill(51), { normalized: true }),
          JOINTS_1: builder.accessor('VEC4', new Uint8Array([1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0])),
          WEIGHTS_1: builder.accessor('VEC4', new Uint16Array([0, 1, 2, 3].flatMap(() => [13107, 0, 0, 0])), {
            normalized: true,
          }),
        }),
        (builder) => ({ indices: builder.accessor('SCALAR', new Uint8Array([0, 2, 3])) }),
      ),
    );
    const skin = character.skins[0]!;
    expect(skin.influences).toBe(8);
    expect(skin.weights[0]).toBeCloseTo(0.2, 6);
    expect(skin.weights[4]).toBeCloseTo(0.2, 6);
    expect(Array.from(skin.triangles)).toEqual([0, 2, 3]);
    expect(vertices(character)[1]).toBeCloseTo(0.2, 6); // one fifth of the way to the joint one unit up
  });

  it('reads quantised positions as they are, and sparse ones replaced', () => {
    const quantised = read(
      skinnedSquare((builder) => ({
        POSITION: builder.accessor('VEC3', new Int16Array(SQUARE.map((value) => value * 4096))),
        ...toJoint(0, 0, 0, 0)(builder),
      })),
    );
    expect(vertices(quantised).slice(3, 6)).toEqual([4096, 0, 0]);
    const sparse = read(
      skinnedSquare((builder) => {
        const indices = { bufferView: builder.view(new Uint8Array([2])), componentType: 5121 };
        const values = { bufferView: builder.view(new Float32Array([5, 6, 7])) };
        const sparsePart = { count: 1, indices, values };
        builder.json.accessors.push({ componentType: 5126, count: 4, type: 'VEC3', sparse: sparsePart });
        return { POSITION: builder.json.accessors.length - 1, ...toJoint(0, 0, 0, 0)(builder) };
      }),
    );
    expect(vertices(sparse)).toEqual([0, 0, 0, 0, 0, 0, 5, 6, 7, 0, 0, 0]);
  });

  it('reads interleaved vertices', () => {
    const builder = skinnedSquare((b) => {
      const rows = SQUARE.flatMap((value, k) => (k % 3 === 2 ? [value, 9] : [value]));
      const bufferView = b.view(new Float32Array(rows), 16);
      b.json.accessors.push({ bufferView, componentType: 5126, count: 4, type: 'VEC3' });
      return { POSITION: b.json.accessors.length - 1, ...toJoint(0, 0, 0, 0)(b) };
    });
    expect(vertices(read(builder))).toEqual(SQUARE);
  });

  it('shares the vertices of primitives that use the same accessors', () => {
    const builder = skinnedSquare(toJoint(0, 0, 0, 0));
    const primitives = builder.json.meshes[0]!.primitives as object[];
    primitives.push({ ...primitives[0], indices: builder.accessor('SCALAR', new Uint16Array([0, 2, 3])) });
    const skin = read(builder).skins[0]!;
    expect(skin.vertexCount).toBe(4);
    expect(Array.from(skin.triangles)).toEqual([0, 1, 2, 0, 2, 3]);
  });

  it('hangs a mesh without skin on the nearest joint above it', () => {
    const builder = skinnedSquare(toJoint(0, 0, 0, 0));
    const hat = builder.mesh({ POSITION: builder.accessor('VEC3', new Float32Array(SQUARE)) });
    const node = builder.node({ name: 'hat', mesh: hat, translation: [0, 0.5, 0], scale: [2, 2, 2] });
    builder.json.nodes[1]!.children = [node];
    builder.json.scenes[0]!.nodes = [...(builder.json.scenes[0]!.nodes as number[]), builder.node({ mesh: hat })];
    const character = read(builder);
    expect(character.skins.map(({ name }) => name)).toEqual(['hat', 'square']); // the loose copy is surroundings
    expect(vertices(character)).toEqual([0, 1.5, 0, 2, 1.5, 0, 2, 3.5, 0, 0, 3.5, 0]);
  });

  it('does not mind what a slot of weight 0 points at', () => {
    const builder = skinnedSquare((b) => ({
      JOINTS_0: b.accessor('VEC4', new Uint8Array([0, 99, 0, 0, 0, 99, 0, 0, 0, 99, 0, 0, 0, 99, 0, 0])),
      WEIGHTS_0: b.accessor('VEC4', new Float32Array([1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0])),
    }));
    expect(vertices(read(builder))).toEqual(SQUARE);
  });

  it('says that vertices without influences do not move', () => {
    const character = read(skinnedSquare(() => ({})));
    expect(character.notes.map(({ code }) => code)).toEqual(['GLTF_INFLUENCES']);
  });
});

describe('bad meshes', () => {
  it.each<[string, GltfBuilder, string, string]>([
    [
      'joint out of range',
      skinnedSquare(toJoint(0, 0, 2, 0)),
      'GLTF_JOINT_INDEX',
      '/meshes/0/primitives/0/attributes/JOINTS_0',
    ],
    [
      'vertex out of range',
      skinnedSquare(toJoint(0, 0, 0, 0), (b) => ({ indices: b.accessor('SCALAR', new Uint16Array([0, 1, 4])) })),
      'GLTF_INDEX',
      '/meshes/0/primitives/0/indices',
    ],
    [
      'NaN position',
      skinnedSquare((b) => ({
        POSITION: b.accessor('VEC3', new Float32Array([0, 0, 0, 1, Number.NaN, 0, 1, 1, 0, 0, 1, 0])),
        ...toJoint(0, 0, 0, 0)(b),
      })),
      'GLTF_NAN',
      '/meshes/0/primitives/0/attributes/POSITION',
    ],
    [
      'positions of two numbers',
      skinnedSquare((b) => ({ POSITION: b.accessor('VEC2', new Float32Array(8)), ...toJoint(0, 0, 0, 0)(b) })),
      'GLTF_ACCESSOR_TYPE',
      '/meshes/0/primitives/0/attributes/POSITION',
    ],
  ])('%s', (_title, builder, code, pointer) => {
    try {
      read(builder);
    } catch (error) {
      expect(error).toBeInstanceOf(RigproofError);
      expect((error as RigproofError).code).toBe(code);
      expect((error as RigproofError).place).toEqual({ file: 'square.glb', pointer });
      expect((error as RigproofError).hint).toBeTruthy();
      return;
    }
    throw new Error('nothing was refused');
  });

  it('reads the rest of a file whose mesh is stored with a compression that it lacks', () => {
    const builder = skinnedSquare(toJoint(0, 0, 0, 0));
    const position = builder.json.meshes[0]!.primitives as { attributes: { POSITION: number } }[];
    const view = builder.json.accessors[position[0]!.attributes.POSITION]!.bufferView as number;
    builder.json.bufferViews[view]!.extensions = { EXT_meshopt_compression: { buffer: 0, byteLength: 1 } };
    const character = read(builder);
    expect(character.skins).toEqual([]);
    expect(character.notes.map(({ code }) => code)).toEqual(['GLTF_COMPRESSED']);
  });
});

describe.skipIf(!HAS_RIGS)(`Draco meshes${RIGS_REASON}`, () => {
  it('are left out with a note where no decoder is given', () => {
    const character = readCharacter(readContainerFile(rigPath('astronaut_draco.glb')));
    expect(character.skins).toEqual([]);
    expect(new Set(character.notes.map(({ code }) => code))).toEqual(new Set(['GLTF_DRACO_SKIPPED']));
  });

  it('are decoded to the bounds that the file states', async () => {
    const container = readContainerFile(rigPath('astronaut_draco.glb'));
    const character = readCharacter(container, { dracoDecoder: await createDracoDecoder() });
    const json = container.json as {
      meshes: { primitives: { attributes: { POSITION: number } }[] }[];
      accessors: { count: number; min: number[]; max: number[] }[];
    };
    const stated = json.meshes[0]!.primitives.map(({ attributes }) => json.accessors[attributes.POSITION]!);
    const { positions, vertexCount } = character.skins.find(({ name }) => name === 'FernandoTheFlamingo')!;
    expect(vertexCount).toBe(stated.reduce((sum, { count }) => sum + count, 0));
    for (let k = 0; k < 3; k++) {
      const values = Array.from(positions.filter((_, at) => at % 3 === k));
      // Draco quantises; 14 bits over about 3 units are 2e-4.
      expect(Math.abs(Math.min(...values) - Math.min(...stated.map(({ min }) => min[k]!)))).toBeLessThan(1e-3);
      expect(Math.abs(Math.max(...values) - Math.max(...stated.map(({ max }) => max[k]!)))).toBeLessThan(1e-3);
    }
  });

  it('that are damaged are refused at their place', async () => {
    const container = readContainerFile(rigPath('astronaut_draco.glb'));
    const json = container.json as {
      meshes: { primitives: { extensions: { KHR_draco_mesh_compression: { bufferView: number } } }[] }[];
      bufferViews: { byteOffset?: number; byteLength: number }[];
    };
    const { bufferView } = json.meshes[0]!.primitives[0]!.extensions.KHR_draco_mesh_compression;
    const { byteOffset = 0, byteLength } = json.bufferViews[bufferView]!;
    const damaged = container.buffers[0]!.slice();
    damaged.fill(0xff, byteOffset, byteOffset + Math.min(byteLength, 64));
    const dracoDecoder = await createDracoDecoder();
    expect(() => readCharacter({ ...container, buffers: [damaged] }, { dracoDecoder })).toThrow(
      expect.objectContaining({ code: 'GLTF_DRACO' }),
    );
  });
});
