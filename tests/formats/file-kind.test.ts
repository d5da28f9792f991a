import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { fileKind, KIND_BYTES } from '../../src/formats/file-kind.ts';

const bytes = (text: string) => new TextEncoder().encode(text);
const data = new URL('../../../shared/data/', import.meta.url);

describe('the kind of a file', () => {
  it.each([
    ['glb', 'hero.glb', 'glTF\u0002\0\0\0'],
    ['glb', 'hero.bvh', 'glTF\u0002\0\0\0'],
    ['bvh', 'walk.bvh', 'HIERARCHY\nROOT Hips'],
    ['bvh', 'walk', '\uFEFF\r\n\t hierarchy\r\n'],
    ['bvh', 'walk.glb', 'HIERARCHY'],
    ['gltf', 'hero.gltf', ' \n{"asset":{}}'],
    ['gltf', 'hero.bvh', '{'],
    // The beginning says nothing: the extension decides whose reader reports the fault.
    ['bvh', 'walk.BVH', 'ROOT Hips'],
    ['glb', 'hero.vrm', '\0\u0001\u0002'],
    ['gltf', 'hero.gltf', '[]'],
  ])('is %s for %s that begins with %j', (kind, name, text) => {
    expect(fileKind(bytes(text), name)).toBe(kind);
  });

  it('is refused when nothing tells it, with what was seen', () => {
    expect(() => fileKind(bytes('; FBX 7.4\n\0'), 'hero.fbx')).toThrow(
      expect.objectContaining({ code: 'FILE_KIND', message: expect.stringContaining('"; FBX 7.4··"') }),
    );
    expect(() => fileKind(new Uint8Array(), 'walk.bvh')).toThrow(expect.objectContaining({ code: 'FILE_EMPTY' }));
  });

  it.skipIf(!existsSync(data)).each(['bvh', 'rigs'])('is right for every file in ../shared/data/%s', (folder) => {
    const files = readdirSync(new URL(`${folder}/`, data)).filter((name) => !name.endsWith('.json'));
    expect(files.length).toBeGreaterThan(5);
    for (const name of files) {
      const expected = name.endsWith('.vrm') ? 'glb' : name.split('.').at(-1);
      const start = readFileSync(new URL(`${folder}/${name}`, data)).subarray(0, KIND_BYTES);
      expect(fileKind(start, 'file'), name).toBe(expected);
    }
  });
});
