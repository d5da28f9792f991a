import { link, mkdir, mkdtemp, readdir, readFile, rm, symlink, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { fileKindOf, keepInputs, readTextFile, writeWholeFile } from '../../src/formats/node.ts';

let folder = '';
beforeAll(async () => {
  folder = await mkdtemp(join(tmpdir(), 'rigproof-files-'));
});
afterAll(() => rm(folder, { recursive: true, force: true }));
const at = (name: string) => join(folder, name);

describe('files on disk', () => {
  it('tell their kind by how they begin', async () => {
    await writeFile(at('walk.txt'), `HIERARCHY\n${'x'.repeat(5000)}`);
    expect(await fileKindOf(at('walk.txt'))).toBe('bvh');
  });

  it('that are missing or folders are named with the reason', async () => {
    await expect(fileKindOf(at('none.bvh'))).rejects.toMatchObject({
      code: 'FILE_OPEN',
      message: 'The file cannot be read: it does not exist.',
      place: { file: at('none.bvh') },
    });
    await expect(readTextFile(folder)).rejects.toMatchObject({
      code: 'FILE_OPEN',
      message: expect.stringContaining('folder'),
    });
  });

  it('that are no UTF-8 are refused as text', async () => {
    await writeFile(at('latin.json'), Uint8Array.of(0x22, 0xe4, 0x22));
    await expect(readTextFile(at('latin.json'))).rejects.toMatchObject({ code: 'FILE_ENCODING' });
  });

  it('are written whole, over what stood there', async () => {
    await writeWholeFile(at('out.txt'), 'first');
    await writeWholeFile(at('out.txt'), Uint8Array.of(50));
    expect(await readFile(at('out.txt'), 'utf8')).toBe('2');
  });

  it('leave nothing behind when they cannot be written', async () => {
    await mkdir(at('taken/inner'), { recursive: true });
    // A folder stands where the file should go, so that the last step fails.
    await expect(writeWholeFile(at('taken'), 'text')).rejects.toMatchObject({ code: 'FILE_WRITE' });
    await expect(writeWholeFile(at('nowhere/out.txt'), 'text')).rejects.toMatchObject({
      code: 'FILE_WRITE',
      message: expect.stringContaining('does not exist'),
    });
    expect((await readdir(folder)).filter((name) => name.includes('part'))).toEqual([]);
  });

  it('are not replaced when they are an input, by any name', async () => {
    await writeFile(at('hero.glb'), 'glTF');
    await symlink(at('hero.glb'), at('soft.glb'));
    await link(at('hero.glb'), at('hard.glb'));
    for (const name of ['hero.glb', 'soft.glb', 'hard.glb', './../hero.glb']) {
      const output = name.startsWith('.') ? join(folder, 'taken', '..', 'hero.glb') : at(name);
      await expect(keepInputs(output, [at('walk.txt'), at('hero.glb')])).rejects.toMatchObject({
        code: 'FILE_IS_INPUT',
      });
    }
    await expect(keepInputs(at('new.glb'), [at('hero.glb')])).resolves.toBeUndefined();
    // An earlier output may be replaced.
    await expect(keepInputs(at('walk.txt'), [at('hero.glb')])).resolves.toBeUndefined();
  });
});
