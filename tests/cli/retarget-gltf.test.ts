import { mkdir, readdir, readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { validateBytes } from 'gltf-validator';
import { beforeAll, describe, expect, it } from 'vitest';
import { makeSamples } from '../../samples/make.ts';
import type { RetargetResult } from '../../src/cli/retarget.ts';
import { parseContainer } from '../../src/formats/gltf/container.ts';
import { readContainerFile } from '../../src/formats/gltf/node.ts';
import { runProgram } from '../support/program.ts';
import { scratchFolder } from '../support/scratch.ts';

const CLIP = 'night-round.bvh';
const RIG = 'bodge.glb';
/** One pixel. */
const PNG = Buffer.from(
  'iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg==',
  'base64',
);

const folder = scratchFolder();
const at = (...path: string[]) => join(folder, ...path);
const run = (...args: string[]) =>
  runProgram(['retarget', CLIP, ...args, '--from', '1', '--to', '2', '--json'], folder);
const resultOf = ({ stdout }: { stdout: string }) => JSON.parse(stdout) as RetargetResult;

beforeAll(async () => {
  const samples = await makeSamples();
  for (const name of [CLIP, RIG]) await writeFile(at(name), samples.get(name)!);
  // The same character as a .gltf with a buffer and an image in files of their own.
  const { json, buffers } = parseContainer(samples.get(RIG)!, RIG);
  const [first] = json.buffers as { byteLength: number }[];
  const images = [...((json.images as object[]) ?? []), { uri: 'skins/bark%20brown.png' }];
  const document = { ...json, images, buffers: [{ ...first, uri: 'bodge.bin' }] };
  await mkdir(at('rig', 'skins'), { recursive: true });
  await writeFile(at('rig', 'bodge.gltf'), JSON.stringify(document));
  await writeFile(at('rig', 'bodge.bin'), buffers[0]!);
  await writeFile(at('rig', 'skins', 'bark brown.png'), PNG);
});

/** Errors that Khronos' validator finds in a .gltf and the files that it names. */
async function errorsIn(...path: string[]): Promise<string[]> {
  const { issues } = await validateBytes(new Uint8Array(await readFile(at(...path))), {
    externalResourceFunction: async (uri) =>
      new Uint8Array(await readFile(at(...path.slice(0, -1), decodeURIComponent(uri)))),
  });
  return issues.messages.filter(({ severity }) => severity === 0).map(({ code, pointer }) => `${code} ${pointer}`);
}

describe('retarget -o x.gltf', () => {
  it('writes the .gltf with one .bin beside it, proved as the .glb is', async () => {
    await mkdir(at('plain'));
    const { output, proof } = resultOf(await run(RIG, '-o', 'plain/walk one.gltf'));
    const single = resultOf(await run(RIG, '-o', 'single.glb'));
    expect((await readdir(at('plain'))).sort()).toEqual(['walk one.bin', 'walk one.gltf']);
    expect(output).toMatchObject({ form: 'gltf', beside: ['plain/walk one.bin'], animation: 'night-round' });
    const sizes = [...(await Promise.all(['gltf', 'bin'].map((end) => readFile(at('plain', `walk one.${end}`)))))];
    expect(output.bytes).toBe(sizes[0]!.length + sizes[1]!.length);
    expect(proof).toEqual(single.proof);
    expect(await errorsIn('plain', 'walk one.gltf')).toEqual([]);
    // The same keys: all that the .glb holds in its binary chunk.
    const chunk = readContainerFile(at('single.glb'));
    const { byteLength } = (chunk.json.buffers as { byteLength: number }[])[0]!;
    expect(sizes[1]!.equals(chunk.buffers[0]!.subarray(0, byteLength))).toBe(true);
  });

  it('brings along what a .gltf character refers to, and leaves that alone where it lies', async () => {
    await mkdir(at('taken'));
    const { output } = resultOf(await run('rig/bodge.gltf', '-o', 'taken/walk.gltf'));
    expect(output.beside).toEqual(['taken/bodge.bin', 'taken/skins/bark brown.png', 'taken/walk.bin']);
    expect(await errorsIn('taken', 'walk.gltf')).toEqual([]);
    expect(await readFile(at('taken', 'skins', 'bark brown.png'))).toEqual(PNG);
    // A second motion shares them.
    const again = resultOf(await run('rig/bodge.gltf', '-o', 'taken/other.gltf'));
    expect(again.output.beside).toEqual(['taken/other.bin']);
    // Beside the character itself nothing has to be copied, and its own buffer keeps its name.
    const before = await readFile(at('rig', 'bodge.bin'));
    await writeFile(at('rig', 'hero.gltf'), await readFile(at('rig', 'bodge.gltf')));
    const home = resultOf(await run('rig/hero.gltf', '-o', 'rig/bodge.gltf'));
    expect(home.output.beside).toEqual(['rig/bodge-2.bin']);
    expect(await readFile(at('rig', 'bodge.bin'))).toEqual(before);
    expect(await errorsIn('rig', 'bodge.gltf')).toEqual([]);
    await writeFile(at('rig', 'bodge.gltf'), await readFile(at('rig', 'hero.gltf')));
  });

  it('writes nothing where another file has the name of a copy', async () => {
    await mkdir(at('full'));
    await writeFile(at('full', 'bodge.bin'), 'of somebody else');
    const { code, stderr, stdout } = await run('rig/bodge.gltf', '-o', 'full/walk.gltf');
    expect(stderr).toMatch(/full\/bodge\.bin {2}OUTPUT_IN_THE_WAY/);
    expect({ code, stdout }).toEqual({ code: 3, stdout: '' });
    expect(await readdir(at('full'))).toEqual(['bodge.bin']);
  });

  it.each(['walk.gltf', 'walk.bin'])('leaves no file where %s cannot be put in its place', async (taken) => {
    const where = `blocked-${taken}`;
    await mkdir(at(where, taken), { recursive: true });
    const { code, stderr } = await run(RIG, '-o', `${where}/walk.gltf`);
    expect(stderr).toMatch(/FILE_WRITE/);
    expect(code).toBe(3);
    expect(await readdir(at(where))).toEqual([taken]);
  });

  it('replaces neither its character nor a buffer of it or of its clip', async () => {
    const refused = await run('rig/bodge.gltf', '-o', 'rig/bodge.gltf');
    expect(refused.stderr).toMatch(/FILE_IS_INPUT/);
    expect(refused.code).toBe(2);
    await mkdir(at('dance'));
    await run(RIG, '-o', 'dance/first.gltf');
    const before = await readFile(at('dance', 'first.bin'));
    const text = await readFile(at('dance', 'first.gltf'));
    await writeFile(at('dance', 'renamed.gltf'), text);
    const { code, stderr } = await runProgram(
      ['retarget', 'dance/renamed.gltf', RIG, '-o', 'dance/first.gltf'],
      folder,
    );
    expect(stderr).toMatch(/first\.bin {2}FILE_IS_INPUT/);
    expect(code).toBe(2);
    expect(await readFile(at('dance', 'first.bin'))).toEqual(before);
  });
});
