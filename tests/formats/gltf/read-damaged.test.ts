import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { RigproofError } from '../../../src/errors.ts';
import { parseContainer } from '../../../src/formats/gltf/container.ts';
import { readAnimation } from '../../../src/formats/gltf/read-animation.ts';
import { readCharacter } from '../../../src/formats/gltf/read-character.ts';
import { GltfBuilder, packGlb } from '../../support/gltf-builder.ts';

/** A file that uses what the reader reads: skin, mesh, indices, keys, a humanoid table, a matrix node. */
function small(): GltfBuilder {
  const builder = new GltfBuilder();
  const nodes = builder.chain([
    { name: 'top', matrix: [2, 0, 0, 0, 0, 2, 0, 0, 0, 0, 2, 0, 0, 0, 0, 1] },
    { name: 'a', translation: [0, 1, 0] },
    { name: 'b', translation: [0, 1, 0], scale: [1, 1, 1] },
    { name: 'end', translation: [0, 1, 0] },
  ]);
  const identity = [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1];
  const skin = builder.skin([nodes[1]!, nodes[2]!], [...identity, ...identity]);
  const mesh = builder.mesh(
    {
      POSITION: builder.accessor('VEC3', new Float32Array([0, 0, 0, 1, 0, 0, 1, 1, 0])),
      JOINTS_0: builder.accessor('VEC4', new Uint8Array([0, 1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0])),
      WEIGHTS_0: builder.accessor('VEC4', new Float32Array([0.5, 0.5, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0])),
    },
    { indices: builder.accessor('SCALAR', new Uint16Array([0, 1, 2])) },
  );
  builder.scene([nodes[0]!, builder.node({ mesh, skin })]);
  builder.animation('move', [
    { node: nodes[1]!, path: 'rotation', times: [0, 1], values: [0, 0, 0, 1, 1, 0, 0, 0] },
    { node: nodes[2]!, path: 'translation', times: [0, 1], values: [0, 1, 0, 0, 2, 0] },
  ]);
  Object.assign(builder.json, { extensions: { VRMC_vrm: { humanoid: { humanBones: { hips: { node: nodes[1] } } } } } });
  return builder;
}

/** Reads all there is; whatever goes wrong has to be a fault that is named. */
function readAll(bytes: Uint8Array): 'read' | 'refused' {
  try {
    const character = readCharacter(parseContainer(bytes, 'small.glb', () => undefined));
    for (let i = 0; i < character.animations.length; i++) readAnimation(character, i, 30);
    return 'read';
  } catch (error) {
    if (!(error instanceof RigproofError)) throw error;
    expect(error.place.file).toBe('small.glb');
    return 'refused';
  }
}

describe('damaged files', () => {
  const whole = small().glb();

  it('are read or refused, never crashed on: cut at every length', () => {
    expect(readAll(whole)).toBe('read');
    for (let length = 0; length < whole.length; length++) expect(readAll(whole.subarray(0, length))).toBe('refused');
  });

  it('are read or refused, never crashed on: bytes overwritten anywhere', () => {
    const results = new Set<string>();
    const edit = fc.record({ at: fc.nat(whole.length - 1), byte: fc.nat(255) });
    fc.assert(
      fc.property(fc.array(edit, { minLength: 1, maxLength: 4 }), (edits) => {
        const bytes = whole.slice();
        for (const { at, byte } of edits) bytes[at] = byte;
        results.add(readAll(bytes));
      }),
      { seed: 11, numRuns: 800 },
    );
    expect(results).toEqual(new Set(['read', 'refused']));
  });

  it('are read or refused, never crashed on: any value of the document replaced by any other', () => {
    const json = JSON.parse(small().text()) as object;
    const places = pathsOf(json);
    const results = new Set<string>();
    const value = fc.oneof(
      fc.constantFrom(null, true, '', 'a', -1, 0, 1, 3, 0.5, 1e9, 2 ** 53, [], {}, [null], [0], { a: 1 }),
      fc.jsonValue(),
    );
    fc.assert(
      fc.property(fc.constantFrom(...places), value, (path, replacement) => {
        const copy = structuredClone(json) as { [key: string]: unknown };
        let at = copy;
        for (const key of path.slice(0, -1)) at = at[key] as typeof copy;
        at[path.at(-1)!] = replacement;
        results.add(readAll(packGlb(JSON.stringify(copy), small().binary())));
      }),
      { seed: 12, numRuns: 2000 },
    );
    expect(results).toEqual(new Set(['read', 'refused']));
  });
});

function pathsOf(value: unknown, path: string[] = []): string[][] {
  if (typeof value !== 'object' || value === null) return [path];
  const below = Object.entries(value).flatMap(([key, entry]) => pathsOf(entry, [...path, key]));
  return path.length > 0 ? [path, ...below] : below;
}
