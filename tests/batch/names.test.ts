import { mkdirSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { listClips } from '../../src/batch/clip-list.ts';
import { globExpression, globRoot } from '../../src/batch/glob.ts';
import { checkNaming, distinctNames, fillNaming, type Named } from '../../src/batch/names.ts';
import { scratchFolder } from '../support/scratch.ts';

const folder = scratchFolder();
for (const name of [
  'a/walk.bvh',
  'a/walk.glb',
  'b/walk.bvh',
  'b/c/run.bvh',
  'b/notes.md',
  '.hidden/x.bvh',
  'out/old.glb',
]) {
  mkdirSync(dirname(join(folder, name)), { recursive: true });
  writeFileSync(join(folder, name), name);
}
writeFileSync(join(folder, 'some.txt'), '# the good ones\nb/c/run.bvh\n\n  a  \n');

const namesOf = async (...given: string[]) => (await listClips(given, join(folder, 'out'))).map(({ name }) => name);

describe('the list of clips', () => {
  it('names the clips of a folder from it, without what is hidden and without the results', async () => {
    expect(await namesOf(folder)).toEqual(['a/walk.bvh', 'a/walk.glb', 'b/c/run.bvh', 'b/walk.bvh']);
  });

  it('follows a pattern', async () => {
    expect(await namesOf(join(folder, '**/walk.bvh'))).toEqual(['a/walk.bvh', 'b/walk.bvh']);
    expect(await namesOf(join(folder, '*/*.{glb,gltf}'))).toEqual(['a/walk.glb']);
  });

  it('reads a list file, whose paths count from where it stands', async () => {
    expect(await namesOf(join(folder, 'some.txt'))).toEqual(['run.bvh', 'walk.bvh', 'walk.glb']);
  });

  it('keeps the folders of single files below what they have in common', async () => {
    expect(await namesOf(join(folder, 'a/walk.bvh'), join(folder, 'b/c/run.bvh'))).toEqual([
      'a/walk.bvh',
      'b/c/run.bvh',
    ]);
    expect(await namesOf(join(folder, 'a/walk.bvh'))).toEqual(['walk.bvh']);
  });

  it('names a clip once, however often it is given', async () => {
    expect(await namesOf(join(folder, 'a'), join(folder, 'a/walk.bvh'))).toEqual(['walk.bvh', 'walk.glb']);
  });

  it.each(['nowhere', 'a/*.fbx', 'b/notes.md/x'])('refuses %s, where there is nothing', async (name) => {
    await expect(namesOf(join(folder, name))).rejects.toMatchObject({ code: 'BATCH_NO_CLIP' });
  });
});

describe('patterns', () => {
  it.each([
    ['*.bvh', ['x.bvh'], ['a/x.bvh', 'x.glb']],
    ['**/*.bvh', ['x.bvh', 'a/b/x.bvh'], ['x.bvhx']],
    ['a/?[0-9].{bvh,glb}', ['a/x1.bvh', 'a/y2.glb'], ['a/xx.bvh', 'b/x1.bvh']],
    ['a(b)+.bvh', ['a(b)+.bvh'], ['abb.bvh']],
  ])('%s', (pattern, fits, others) => {
    for (const path of fits) expect(path).toMatch(globExpression(pattern));
    for (const path of others) expect(path).not.toMatch(globExpression(pattern));
  });

  it('begin to search where they begin to be patterns', () => {
    expect(['lib/*/x.bvh', '*.bvh', '/data/**', '/*.bvh'].map(globRoot)).toEqual(['lib', '.', '/data', '/']);
  });
});

describe('names of outputs', () => {
  const named = (name: string, kind: string, identity: string): Named => ({ name, kind, identity });

  it('are as wanted where they differ', () => {
    expect(distinctNames([named('a', 'bvh', '1'), named('b', 'bvh', '2')])).toEqual(['a', 'b']);
  });

  it('are told apart by kind, all of them, also where only case differs', () => {
    expect(distinctNames([named('walk', 'bvh', 'x1'), named('run', 'bvh', 'x2'), named('Walk', 'glb', 'x3')])).toEqual([
      'walk-bvh',
      'run',
      'Walk-glb',
    ]);
  });

  it('are told apart by content where the kind is the same', () => {
    expect(distinctNames([named('walk', 'bvh', '3fa2c1d0'), named('walk', 'bvh', '77b0e1aa')])).toEqual([
      'walk-3fa2c1',
      'walk-77b0e1',
    ]);
  });

  it('always differ, and do not depend on the order where identities differ', () => {
    const entry = fc.record({
      name: fc.constantFrom('walk', 'Walk', 'walk-bvh', 'run'),
      kind: fc.constantFrom('bvh', 'glb'),
      identity: fc.stringMatching(/^[0-9a-f]{8}$/),
    });
    fc.assert(
      fc.property(fc.uniqueArray(entry, { selector: ({ identity }) => identity, maxLength: 8 }), (list) => {
        const names = distinctNames(list);
        expect(new Set(names.map((name) => name.toLowerCase())).size).toBe(list.length);
        const back = distinctNames([...list].reverse()).reverse();
        if (new Set(list.map(({ identity }) => identity.slice(0, 6))).size === list.length) expect(back).toEqual(names);
      }),
    );
  });

  it('are fit for every file system', () => {
    const parts = { character: 'hero', folder: 'a/b', clip: 'x:y?"z". ' };
    expect(fillNaming('{character}/{folder}/{clip}', parts)).toBe('hero/a/b/x-y--z-');
    expect(fillNaming('{character}/{folder}/{clip}', { ...parts, folder: '' })).toBe('hero/x-y--z-');
    expect(fillNaming('{clip}@{character}', { ...parts, clip: 'walk' })).toBe('walk@hero');
  });

  it.each([
    ['{clp}', /\{clip\}/],
    ['fixed', /for instance/i],
    ['../{clip}', /inside/],
    ['/{clip}', /inside/],
  ])('cannot be %s', (template, hint) => {
    expect(() => checkNaming(template)).toThrow(
      expect.objectContaining({ code: 'BATCH_NAMING', hint: expect.stringMatching(hint) }),
    );
  });
});
