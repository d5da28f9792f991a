import { readFileSync } from 'node:fs';
import { type Issue, validateBytes } from 'gltf-validator';
import { describe, expect, it } from 'vitest';
import { makeFaulty } from '../../samples/faulty.ts';
import { auditInput } from '../../src/convert/audit.ts';
import { mendCharacter } from '../../src/convert/mend.ts';
import { RigproofError } from '../../src/errors.ts';
import type { Character } from '../../src/formats/gltf/character.ts';
import { parseContainer } from '../../src/formats/gltf/container.ts';
import { readCharacter } from '../../src/formats/gltf/read-character.ts';
import { auditRig } from '../../src/rig/audit.ts';
import { planMending } from '../../src/rig/mend.ts';
import { restWorldPose } from '../../src/skeleton/skeleton.ts';
import { skinVertices } from '../../src/skeleton/skin.ts';
import { GltfBuilder } from '../support/gltf-builder.ts';
import { HAS_RIGS, RIG_FILES, RIGS_REASON, readRig, rigPath } from '../support/rigs.ts';
import { cleanInput } from './clean.ts';

const read = (bytes: Uint8Array, name = 'mended.glb') => readCharacter(parseContainer(bytes, name));
const idsOf = (character: Character) =>
  auditRig(auditInput(character), { exercise: false }).findings.map(({ id }) => id);
const isSame = (a: Uint8Array, b: Uint8Array) => Buffer.compare(a, b) === 0;

// Source of truth: the Khronos glTF validator, package gltf-validator.
async function issuesOf(bytes: Uint8Array): Promise<string[]> {
  const report = await validateBytes(bytes, { maxIssues: 0 });
  return report.issues.messages.map(({ code, pointer, message }: Issue) => `${code} ${pointer} ${message}`);
}

async function mendOf(ids: readonly string[]) {
  const { glb, planted } = await makeFaulty(ids);
  const copy = glb.slice();
  const character = read(glb, 'faulty.glb');
  const mended = mendCharacter(character, auditInput(character));
  expect(isSame(glb, copy)).toBe(true);
  return { glb, planted, before: character, after: read(mended.bytes), ...mended };
}

const flat = (runs: readonly [number, number][]) =>
  runs.flatMap(([first, last]) => Array.from({ length: last - first + 1 }, (_, i) => first + i));

describe('mending weights', () => {
  it('leaves a clean character byte for byte', async () => {
    const { glb, bytes, actions } = await mendOf([]);
    expect(actions).toEqual([]);
    expect(isSame(bytes, glb)).toBe(true);
  });

  it.each([
    ['weight-sum', 'normalise', 'weight-sum'],
    ['negative-weight', 'negative', 'negative-weight'],
    ['five-influences', 'prune', 'many-influences'],
    ['no-weight', 'neighbour', 'no-weight'],
    ['control-weight', 'control', 'control-weight'],
    ['idle-joint', 'mirror', 'idle-joint'],
  ])('mends %s and says so', async (id, action, findingId) => {
    const { planted, before, after, actions, bytes } = await mendOf([id]);
    expect(idsOf(before)).toContain(findingId);
    expect(idsOf(after)).not.toContain(findingId);
    const done = actions.find((entry) => entry.id === action);
    expect(done, JSON.stringify(actions)).toBeDefined();
    const { vertices } = planted[0]!;
    if (id === 'idle-joint') expect(flat(done!.vertices)).toEqual(expect.arrayContaining(vertices));
    else expect(flat(done!.vertices)).toEqual(vertices);
    expect((await issuesOf(bytes)).filter((issue) => /WEIGHTS|JOINTS/.test(issue))).toEqual([]);
  });

  it('gives back the weights that were taken: shin, toes and belly follow their own joints again', async () => {
    const clean = read((await makeFaulty([])).glb);
    for (const id of ['control-weight', 'idle-joint']) {
      const { planted, after } = await mendOf([id]);
      const weights = (character: Character, v: number) => {
        const skin = character.skins[0]!;
        const result = new Map<string, number>();
        for (let i = v * skin.influences; i < (v + 1) * skin.influences; i++)
          if (skin.weights[i]! > 0) result.set(character.skeleton.names[skin.joints[i]!]!, skin.weights[i]!);
        return result;
      };
      for (const v of planted[0]!.vertices) {
        const [was, is] = [weights(clean, v), weights(after, v)];
        // Six decimals in the file.
        for (const [name, weight] of was)
          expect(Math.abs((is.get(name) ?? 0) - weight), `${id} ${v} ${name}`).toBeLessThan(2e-6);
      }
    }
  });

  it('touches no other vertex, no other byte and no JSON', async () => {
    const { glb, bytes, planted, before, after } = await mendOf(['weight-sum']);
    expect(bytes.length).toBe(glb.length);
    const vertices = new Set(planted[0]!.vertices);
    const [a, b] = [before.skins[0]!, after.skins[0]!];
    for (let i = 0; i < a.weights.length; i++)
      if (!vertices.has(Math.floor(i / a.influences))) expect(b.weights[i]).toBe(a.weights[i]);
    expect(after.container.jsonText).toBe(before.container.jsonText);
    let different = 0;
    for (let i = 0; i < glb.length; i++) if (glb[i] !== bytes[i]) different++;
    expect(different).toBeGreaterThan(0);
    expect(different).toBeLessThanOrEqual(vertices.size * 4 * (4 + 1));
  });

  it('moves no vertex of the rest pose', async () => {
    const { before, after } = await mendOf(['control-weight', 'negative-weight', 'five-influences', 'idle-joint']);
    const places = ({ skins, skeleton }: Character) => {
      const skin = skins[0]!;
      const out = new Float64Array(skin.vertexCount * 3);
      skinVertices(skin, restWorldPose(skeleton), out, new Float64Array(skin.bind.length));
      return out;
    };
    const [was, is] = [places(before), places(after)];
    // All joints of a sound skin agree in the rest pose; Float32 weights leave 1e-6 m of two metres.
    for (let i = 0; i < was.length; i++) expect(Math.abs(was[i]! - is[i]!)).toBeLessThan(5e-6);
  });
});

/** Two joints, four vertices, one triangle each way; 8-bit weights that sum to 200 of 255 at the second vertex. */
function byteWeights(
  third: readonly number[] = [100, 155, 0, 0],
  bounds = { max: [255, 155, 0, 0], min: [100, 0, 0, 0] },
): GltfBuilder {
  const builder = new GltfBuilder();
  const joints = builder.chain([{ name: 'root' }, { name: 'arm', translation: [0, 1, 0] }]);
  const positions = new Float32Array([0, 0, 0, 1, 0, 0, 0, 1, 0, 1, 1, 0]);
  const mesh = builder.mesh(
    {
      POSITION: builder.accessor('VEC3', positions, { min: [0, 0, 0], max: [1, 1, 0] }),
      JOINTS_0: builder.accessor('VEC4', new Uint8Array([0, 1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 1, 0, 0, 0])),
      WEIGHTS_0: builder.accessor('VEC4', new Uint8Array([255, 0, 0, 0, 133, 67, 0, 0, ...third, 255, 0, 0, 0]), {
        normalized: true,
        ...bounds,
      }),
    },
    { indices: builder.accessor('SCALAR', new Uint16Array([0, 1, 2, 1, 3, 2])) },
  );
  builder.skin(joints);
  const node = builder.node({ name: 'skin', mesh, skin: 0 });
  builder.scene([joints[0]!, node]);
  return builder;
}

describe('mending other layouts', () => {
  it.each(['glb', 'gltf'] as const)('keeps 8-bit weights 8-bit, with a sum of exactly 255 (%s)', (form) => {
    const bytes = byteWeights()[form]();
    const character = read(bytes, `bytes.${form}`);
    const mended = mendCharacter(character, auditInput(character));
    const after = read(mended.bytes);
    const accessor = (
      after.container.json.accessors as {
        componentType: number;
        normalized?: boolean;
        min?: number[];
        max?: number[];
      }[]
    )[2]!;
    expect(accessor).toMatchObject({ componentType: 5121, normalized: true });
    const raw = [...after.skins[0]!.weights].map((w) => Math.round(w * 255));
    // 133 : 67 of 200, brought to 255 by the largest remainder: 169.575 and 85.425.
    expect(raw.slice(4, 8)).toEqual([170, 85, 0, 0]);
    expect(accessor.max).toEqual([255, 155, 0, 0]);
    expect(mended.actions.map(({ id }) => id)).toEqual(['normalise']);
  });

  it('states new bounds where the old ones would lie', async () => {
    const glb = byteWeights([200, 55, 0, 0], { max: [255, 67, 0, 0], min: [133, 0, 0, 0] }).glb();
    const character = read(glb);
    const { bytes } = mendCharacter(character, auditInput(character));
    const { min, max } = (read(bytes).container.json.accessors as { min: number[]; max: number[] }[])[2]!;
    expect(min).toEqual([170, 0, 0, 0]);
    expect(max).toEqual([255, 85, 0, 0]);
    expect((await issuesOf(bytes)).filter((issue) => /MIN|MAX/.test(issue))).toEqual([]);
  });

  it('counts a joint that comes twice once', () => {
    const builder = byteWeights();
    const input = auditInput(read(builder.glb()));
    const skin = input.skins[0]!;
    const joints = skin.joints.slice();
    const weights = skin.weights.slice();
    joints.set([1, 1, 0, 0], 8);
    weights.set([0.25, 0.75, 0, 0], 8);
    const plan = planMending({ ...input, skins: [{ ...skin, joints, weights }] });
    expect(plan.actions.map(({ id }) => id)).toContain('doubled');
    expect([...plan.meshes[0]!.weights.subarray(8, 12)]).toEqual([1, 0, 0, 0]);
  });

  it('refuses to mend what has no mesh', async () => {
    const input = await cleanInput();
    const character = read((await makeFaulty([])).glb);
    expect(() => mendCharacter({ ...character, skins: [] }, input)).toThrow(RigproofError);
  });
});

describe(`mending rigs${RIGS_REASON}`, () => {
  it.skipIf(!HAS_RIGS).each(RIG_FILES)('brings no new fault into %s', async (file) => {
    const { character } = await readRig(file);
    let bytes: Uint8Array;
    try {
      ({ bytes } = mendCharacter(character, auditInput(character)));
    } catch (error) {
      // One is compressed and one has no mesh.
      expect((error as RigproofError).code).toBe(file.includes('draco') ? 'MEND_COMPRESSED' : 'MEND_NO_MESH');
      return;
    }
    const before = new Set(await issuesOf(readFileSync(rigPath(file))));
    const after = await issuesOf(bytes);
    expect(after.filter((issue) => !before.has(issue))).toEqual([]);
    expect(after.filter((issue) => /WEIGHTS_NON_NORMALIZED|JOINTS_DUPLICATE/.test(issue))).toEqual([]);
    const mendedCharacter = read(bytes);
    expect(mendedCharacter.skins.map(({ vertexCount }) => vertexCount)).toEqual(
      character.skins.map(({ vertexCount }) => vertexCount),
    );
    const ids = idsOf(mendedCharacter);
    for (const id of ['no-weight', 'negative-weight', 'weight-sum', 'many-influences', 'control-weight'])
      expect(ids).not.toContain(id);
  });
});
