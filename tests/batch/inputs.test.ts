import { cpSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join, relative } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { makeSamples } from '../../samples/make.ts';
import { listClips } from '../../src/batch/clip-list.ts';
import { digestFile } from '../../src/batch/fingerprint.ts';
import { planBatch } from '../../src/batch/plan.ts';
import { tasksOf } from '../../src/batch/run.ts';
import { runTask } from '../../src/batch/run-task.ts';
import { BATCH_DEFAULTS } from '../../src/batch/settings.ts';
import { contentOf } from './content.ts';
import { frames } from './library.ts';

const folder = mkdtempSync(join(tmpdir(), 'rigproof-inputs-'));
afterAll(() => rmSync(folder, { recursive: true, force: true }));

describe('where a library lies', () => {
  beforeAll(async () => {
    const samples = await makeSamples();
    writeFileSync(join(folder, 'bodge.glb'), samples.get('bodge.glb')!);
    const first = join(folder, 'first');
    cpSync(join(folder, 'bodge.glb'), join(first, 'bodge.glb'));
    const night = samples.get('night-round.bvh')!;
    writeFileSync(join(first, 'round.bvh'), frames(night, 0, 20));
    writeFileSync(join(first, 'broken.bvh'), night.subarray(0, 300));
    // A frame fewer than it declares: a note with its place.
    const text = new TextDecoder().decode(frames(night, 60, 20)).trimEnd();
    writeFileSync(join(first, 'cut.bvh'), text.slice(0, text.lastIndexOf('\n') + 1));
    cpSync(first, join(folder, 'second'), { recursive: true });
  });

  async function convertAll(library: string, outputFolder: string): Promise<Record<string, string>> {
    const clips = (await listClips([library])).filter(({ name }) => name.endsWith('.bvh'));
    const settings = BATCH_DEFAULTS;
    const plan = await planBatch({ clips, characters: [join(library, 'bodge.glb')], settings, version: '1' });
    for (const task of tasksOf(plan.jobs, plan, settings, outputFolder)) await runTask(task);
    return contentOf(outputFolder);
  }

  it('leaves no trace in the results, those of faulty clips included', async () => {
    const first = await convertAll(join(folder, 'first'), join(folder, 'out-1'));
    expect(Object.keys(first).filter((name) => name.endsWith('.json'))).toHaveLength(3);
    expect(readFileSync(join(folder, 'out-1/.rigproof/jobs/bodge/cut.json'), 'utf8')).toContain('"file":"cut.bvh"');
    expect(await convertAll(relative(process.cwd(), join(folder, 'second')), join(folder, 'out-2'))).toEqual(first);
  });
});

describe('what a character is known by', () => {
  it('covers the buffers that lie beside a .gltf', async () => {
    const glb = readFileSync(join(folder, 'bodge.glb'));
    const jsonLength = glb.readUInt32LE(12);
    const json = JSON.parse(glb.toString('utf8', 20, 20 + jsonLength));
    const binary = glb.subarray(20 + jsonLength + 8);
    json.buffers[0].uri = 'data/bodge%20skin.bin';
    writeFileSync(join(folder, 'bodge.gltf'), JSON.stringify(json));
    cpSync(join(folder, 'bodge.glb'), join(folder, 'data/bodge skin.bin'));
    writeFileSync(join(folder, 'data/bodge skin.bin'), binary);
    const before = await digestFile(join(folder, 'bodge.gltf'));
    expect(await digestFile(join(folder, 'bodge.gltf'))).toEqual(before);
    binary[100]! ^= 1;
    writeFileSync(join(folder, 'data/bodge skin.bin'), binary);
    expect((await digestFile(join(folder, 'bodge.gltf'))).hash).not.toBe(before.hash);
  });
});
