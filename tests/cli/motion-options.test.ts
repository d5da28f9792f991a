import { existsSync } from 'node:fs';
import { readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { validateBytes } from 'gltf-validator';
import { beforeAll, describe, expect, it } from 'vitest';
import { makeSamples } from '../../samples/make.ts';
import type { RetargetResult } from '../../src/cli/retarget.ts';
import { runProgram } from '../support/program.ts';
import { HAS_RIGS, RIGS_REASON, rigPath } from '../support/rigs.ts';
import { scratchFolder } from '../support/scratch.ts';

const CLIP = 'night-round.bvh';
const CHARACTER = 'bodge.glb';

const folder = scratchFolder();
const run = (...args: string[]) => runProgram(args, folder);
const at = (name: string) => join(folder, name);

beforeAll(async () => {
  for (const [name, bytes] of await makeSamples()) await writeFile(at(name), bytes);
});

describe.concurrent('what may be done to a motion', () => {
  it('filters, limits and contacts go through to a valid file', async () => {
    const filters = ['--repair', '--low-pass', '8', '--from', '0.5', '--to', '1.5', '--mirror', '--resample', '30'];
    const limits = ['--enforce-ranges', '--allow-stretch', '2%', '--poles', '--no-hand-contact', '--loop'];
    const { code, stdout, stderr } = await run(
      'retarget',
      CLIP,
      CHARACTER,
      '-o',
      'all.glb',
      '--json',
      ...filters,
      ...limits,
    );
    expect(stderr).toBe('');
    const result = JSON.parse(stdout) as RetargetResult;
    expect([0, 1]).toContain(code);
    // One second at 30 frames a second, both ends included.
    expect(result.source).toMatchObject({ frames: 31, fps: 30 });
    const { issues } = await validateBytes(new Uint8Array(await readFile(at('all.glb'))));
    expect(issues.numErrors).toBe(0);
  });

  it.each([
    [3, 'FILTER_TRIM', ['--from', '900']],
    [2, '--allow-stretch', ['--allow-stretch', '200']],
    [2, '--low-pass', ['--low-pass', 'much']],
  ])('ends with %s and one message (%s), and leaves no file', async (exit, message, flags) => {
    const name = `${message.replace(/\W/g, '')}.glb`;
    const { code, stderr } = await run('retarget', CLIP, CHARACTER, '-o', name, ...flags);
    expect(code).toBe(exit);
    expect(stderr).toContain(message);
    expect(existsSync(at(name))).toBe(false);
  });

  it.skipIf(!HAS_RIGS)(`a chain paired by hand moves a body that is not human${RIGS_REASON}`, async () => {
    const mapping = {
      format: 'rigproof-mapping',
      version: 1,
      chains: [{ source: ['Spine1', 'Spine2', 'Spine3', 'Tail'], target: ['Tail1', 'Tail3', 'Tail5', 'Tail7'] }],
    };
    await writeFile(at('chains.json'), JSON.stringify(mapping));
    const files = [rigPath('fish.glb'), rigPath('horse.glb'), '-o', 'swim.glb'];
    const refused = await run('retarget', ...files);
    expect(refused.code).toBe(3);
    expect(refused.stderr).toContain('PAIR_NOT_HUMANOID');
    const { code } = await run('retarget', ...files, '--mapping', 'chains.json', '--quiet');
    expect([0, 1]).toContain(code);
    // The horse's own file has one error that is none of ours: its skin names a node that is no common root.
    const errors = async (path: string) =>
      (await validateBytes(new Uint8Array(await readFile(path)))).issues.messages.filter(
        ({ severity }) => severity === 0,
      );
    const codes = (messages: { code: string }[]) => messages.map((message) => message.code);
    expect(codes(await errors(at('swim.glb')))).toEqual(codes(await errors(rigPath('horse.glb'))));
  });

  it.skipIf(!HAS_RIGS)(`the node above the hips carries the travel where no joint does${RIGS_REASON}`, async () => {
    const { code } = await run(
      'retarget',
      CLIP,
      rigPath('slim_vrm0.vrm'),
      '--root-motion',
      'extract',
      '-o',
      'slim.glb',
      '--quiet',
    );
    expect([0, 1]).toContain(code);
    const bytes = new Uint8Array(await readFile(at('slim.glb')));
    const length = new DataView(bytes.buffer, bytes.byteOffset).getUint32(12, true);
    const json = JSON.parse(new TextDecoder().decode(bytes.subarray(20, 20 + length))) as {
      nodes: { name: string }[];
      animations: { channels: { target: { node: number; path: string } }[] }[];
    };
    const moved = json.animations.at(-1)!.channels.filter(({ target }) => target.path === 'translation');
    expect(moved.map(({ target }) => json.nodes[target.node]!.name)).toContain('Armature');
  });
});
