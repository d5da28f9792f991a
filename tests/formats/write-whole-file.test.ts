import { mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it, vi } from 'vitest';
import { createWholeFile, writeWholeFile } from '../../src/formats/node.ts';

const disk = vi.hoisted(() => ({ hasLinks: true }));

// Disks without hard links cannot be had in a test.
vi.mock('node:fs/promises', async (importActual) => {
  const actual = await importActual<typeof import('node:fs/promises')>();
  const link: typeof actual.link = (from, to) =>
    disk.hasLinks ? actual.link(from, to) : Promise.reject(Object.assign(new Error('no links'), { code: 'EPERM' }));
  return { ...actual, link };
});

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

describe.each([true, false])('making a file that may be there already (disk with links: %s)', (hasLinks) => {
  let folder = '';
  beforeAll(() => {
    disk.hasLinks = hasLinks;
    folder = mkdtempSync(join(tmpdir(), 'rigproof-create-'));
  });
  afterAll(() => {
    disk.hasLinks = true;
    rmSync(folder, { recursive: true, force: true });
  });

  it('makes it once, whoever is first, and leaves nothing beside it', async () => {
    const path = join(folder, 'marker');
    await Promise.all(['a', 'b', 'c', 'd'].map((text) => createWholeFile(path, text.repeat(1000))));
    const text = readFileSync(path, 'utf8');
    expect(text).toBe(text[0]!.repeat(1000));
    await createWholeFile(path, 'late');
    expect(readFileSync(path, 'utf8')).toBe(text);
    expect(readdirSync(folder)).toEqual(['marker']);
  });

  it('says why it cannot', async () => {
    await expect(createWholeFile(join(folder, 'none', 'marker'), 'x')).rejects.toMatchObject({ code: 'FILE_WRITE' });
  });
});
