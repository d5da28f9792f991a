import { mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { writeWholeFile } from '../../src/formats/node.ts';

describe('writing a file whole', () => {
  let folder = '';
  beforeAll(() => {
    folder = mkdtempSync(join(tmpdir(), 'rigproof-write-'));
  });
  afterAll(() => rmSync(folder, { recursive: true, force: true }));

  it('writes the bytes, over an older file, and nothing beside them', async () => {
    const path = join(folder, 'a', 'walk.glb');
    mkdirSync(join(folder, 'a'));
    await writeWholeFile(path, Uint8Array.of(1, 2, 3));
    await writeWholeFile(path, Uint8Array.of(4, 5));
    expect([...readFileSync(path)]).toEqual([4, 5]);
    expect(readdirSync(join(folder, 'a'))).toEqual(['walk.glb']);
  });

  it('writes pieces one behind the other', async () => {
    const path = join(folder, 'pieces.bin');
    const many = Array.from({ length: 3000 }, (_, i) => new Uint8Array(i % 7).fill(i));
    await writeWholeFile(path, many);
    expect(readFileSync(path).equals(Buffer.concat(many))).toBe(true);
  });

  it('leaves nothing behind when the target cannot be replaced', async () => {
    // A folder of that name: the rename fails after the bytes were written.
    mkdirSync(join(folder, 'b', 'walk.glb', 'full'), { recursive: true });
    const path = join(folder, 'b', 'walk.glb');
    await expect(writeWholeFile(path, Uint8Array.of(1))).rejects.toMatchObject({
      code: 'FILE_WRITE',
      place: { file: path },
    });
    expect(readdirSync(join(folder, 'b'))).toEqual(['walk.glb']);
  });

  it('says so when there is no such folder', async () => {
    writeFileSync(join(folder, 'file'), 'x');
    for (const path of [join(folder, 'file', 'walk.glb'), join(folder, 'none', 'walk.glb')]) {
      await expect(writeWholeFile(path, Uint8Array.of(1))).rejects.toMatchObject({ code: 'FILE_WRITE' });
    }
    expect(readFileSync(join(folder, 'file'), 'utf8')).toBe('x');
  });
});
