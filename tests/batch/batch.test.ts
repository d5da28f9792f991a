import { readFile, rm, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { validateBytes } from 'gltf-validator';
import { beforeAll, describe, expect, it } from 'vitest';
import type { BatchSummary } from '../../src/batch/summary-format.ts';
import type { BatchCommandResult } from '../../src/cli/batch.ts';
import { openCharacter } from '../../src/convert/open-character.ts';
import { parseContainer } from '../../src/formats/gltf/container.ts';
import { runProgram, startProgram } from '../support/program.ts';
import { scratchFolder } from '../support/scratch.ts';
import { contentOf, makeLibrary, type SampleLibrary } from './library.ts';

const folder = scratchFolder();
let library: SampleLibrary;
let reference: Record<string, string>;

const batch = (out: string, ...flags: string[]) =>
  runProgram(['batch', library.clips, '--character', library.characters[0]!, '-o', out, ...flags], folder);

beforeAll(async () => {
  library = await makeLibrary(folder);
  const { code, stderr } = await batch('one', '--workers', '1', '--verbose');
  // One clip is broken on purpose.
  expect(code).toBe(3);
  expect(stderr).toMatch(/broken\.bvh/);
  reference = contentOf(join(folder, 'one'));
});

const resultsOf = (content: Record<string, string>) =>
  Object.fromEntries(Object.entries(content).filter(([name]) => /\.glb$/.test(name)));

describe('a batch', () => {
  it('keeps the folders of the library, and a broken clip costs its own line only', async () => {
    const summary = JSON.parse(await readFile(join(folder, 'one/summary.json'), 'utf8')) as BatchSummary;
    expect(Object.keys(resultsOf(reference))).toEqual([
      'bodge/dances/round.glb',
      'bodge/dances/turn.glb',
      'bodge/round-2.glb',
      'bodge/round.glb',
    ]);
    expect(summary.counts).toMatchObject({ jobs: 5, unreadable: 1, missing: 0, unusable: 0 });
    expect(summary.counts.pass + summary.counts.fail).toBe(4);
    const broken = summary.jobs.filter(({ status }) => status === 'unreadable');
    expect(broken).toMatchObject([{ clip: 'broken.bvh', error: { code: expect.stringMatching(/^BVH_/) } }]);
  });

  it('gives the same bytes with two and four workers, summary included', async () => {
    for (const workers of ['2', '4']) {
      await batch(`workers-${workers}`, '--workers', workers);
      expect(contentOf(join(folder, `workers-${workers}`))).toEqual(reference);
    }
  });

  it('gives the bytes that retarget gives for one clip', async () => {
    await runProgram(
      ['retarget', join(library.clips, 'dances/round.bvh'), library.characters[0]!, '-o', 'single.glb', '--quiet'],
      folder,
    );
    const single = await readFile(join(folder, 'single.glb'));
    expect(single.equals(await readFile(join(folder, 'one/bodge/dances/round.glb')))).toBe(true);
  });

  it.each(['in-place', 'extract'])('gives the bytes that retarget gives with root motion %s', async (mode) => {
    const motion = ['--root-motion', mode, '--quiet'];
    const [clip, character] = [join(library.clips, 'dances/round.bvh'), library.characters[0]!];
    await runProgram(['batch', clip, '--character', character, '-o', mode, ...motion], folder);
    await runProgram(['retarget', clip, character, '-o', `${mode}.glb`, ...motion], folder);
    const written = await readFile(join(folder, mode, 'bodge/round.glb'));
    expect(written.equals(await readFile(join(folder, `${mode}.glb`)))).toBe(true);
    expect(written.equals(await readFile(join(folder, 'one/bodge/dances/round.glb')))).toBe(false);
  });

  it('gives the same bytes in three shards, which a last run sums up', async () => {
    for (const i of [1, 2, 3]) await batch('shards', '--shard', `${i}/3`, '--workers', '1');
    const parts = Object.keys(contentOf(join(folder, 'shards'))).filter((name) => name.startsWith('summary-'));
    expect(parts).toHaveLength(9);
    for (const name of parts) await rm(join(folder, 'shards', name));
    const { stdout } = await batch('shards', '--json');
    expect((JSON.parse(stdout) as BatchCommandResult).converted).toBe(0);
    expect(contentOf(join(folder, 'shards'))).toEqual(reference);
  });

  it('writes GLB in which the Khronos validator finds no error', async () => {
    for (const name of ['bodge/round.glb', 'bodge/dances/turn.glb']) {
      const { issues } = await validateBytes(new Uint8Array(await readFile(join(folder, 'one', name))));
      expect(issues.numErrors).toBe(0);
    }
  });

  it('does nothing a second time, and only what has changed a third time', async () => {
    const again = JSON.parse((await batch('one', '--json')).stdout) as BatchCommandResult;
    expect(again.converted).toBe(0);
    expect(contentOf(join(folder, 'one'))).toEqual(reference);
    await rm(join(folder, 'one/bodge/round.glb'));
    expect((JSON.parse((await batch('one', '--json')).stdout) as BatchCommandResult).converted).toBe(1);
    expect(contentOf(join(folder, 'one'))).toEqual(reference);
    const other = JSON.parse((await batch('one', '--int16', '--json')).stdout) as BatchCommandResult;
    // The broken clip is tried again too: what it is known by has changed.
    expect(other.converted).toBe(5);
    expect(resultsOf(contentOf(join(folder, 'one')))).not.toEqual(resultsOf(reference));
  });

  it('finishes what is in hand at Ctrl-C, says how to go on, and goes on to the same bytes', async () => {
    const args = ['batch', library.clips, '--character', library.characters[0]!, '-o', 'cut', '--workers', '1'];
    const { child, ended } = await startProgram(args, folder);
    child.stderr!.once('data', () => child.kill('SIGINT'));
    const { code, stdout } = await ended;
    expect(code).toBe(130);
    expect(stdout).toContain('The same command goes on from here.');
    const summary = JSON.parse(await readFile(join(folder, 'cut/summary.json'), 'utf8')) as BatchSummary;
    expect(summary.counts.missing).toBeGreaterThan(0);
    const { stdout: rest } = await batch('cut', '--json');
    expect((JSON.parse(rest) as BatchCommandResult).converted).toBe(summary.counts.missing);
    expect(contentOf(join(folder, 'cut'))).toEqual(reference);
  });

  it('packs all clips of a character into one file, named with their folders', async () => {
    const args = [
      'batch',
      join(library.clips, 'dances'),
      join(library.clips, 'round.bvh'),
      '--character',
      library.characters[0]!,
      '-o',
      'packed',
      '--pack',
      '--json',
    ];
    const first = JSON.parse((await runProgram(args, folder)).stdout) as BatchCommandResult;
    expect(first.converted).toBe(3);
    const bytes = new Uint8Array(await readFile(join(folder, 'packed/bodge.glb')));
    const { issues } = await validateBytes(bytes);
    expect(issues.numErrors).toBe(0);
    const { animations } = await openCharacter(parseContainer(bytes, 'bodge.glb'));
    expect(animations.map(({ name }) => name)).toEqual(['round', 'round-2', 'turn']);
    const before = contentOf(join(folder, 'packed'));
    expect((JSON.parse((await runProgram(args, folder)).stdout) as BatchCommandResult).converted).toBe(0);
    expect(contentOf(join(folder, 'packed'))).toEqual(before);
  });

  it('writes at another rate, and proves that', async () => {
    const args = [
      'batch',
      join(library.clips, 'dances/turn.bvh'),
      '--character',
      library.characters[0]!,
      '-o',
      'slow',
      '--resample',
      '24',
    ];
    await runProgram(args, folder);
    const { jobs } = JSON.parse(await readFile(join(folder, 'slow/summary.json'), 'utf8')) as BatchSummary;
    // 18 frames at 60 last 17/60 s, in which 7 frames at 24 begin.
    expect(jobs[0]).toMatchObject({ status: 'done', frames: 7, fps: 24 });
  });

  it('compares with an earlier run, and ends with 1 only when something got worse', async () => {
    const dances = ['batch', join(library.clips, 'dances'), '--character', library.characters[0]!];
    const good = await runProgram([...dances, '-o', 'gate', '--json'], folder);
    const baseline = ['--baseline', 'gate/summary.json'];
    const same = await runProgram([...dances, '-o', 'gate-2', ...baseline, '--json'], folder);
    expect(same.code).toBe(0);
    expect((JSON.parse(same.stdout) as BatchCommandResult).baseline).toMatchObject({ worse: [], better: [], same: 2 });
    // Feet that are not held slide.
    const worse = await runProgram([...dances, '-o', 'gate-3', '--no-contact', ...baseline], folder);
    expect(worse.code).toBe(1);
    expect(worse.stdout).toMatch(/^ {2}worse {3}(round|turn)\.bvh on bodge: /m);
    expect([0, 1]).toContain(good.code);
    const wrong = await runProgram([...dances, '-o', 'gate-3', '--baseline', 'bodge.glb'], folder);
    expect(wrong.code).toBe(3);
    expect(wrong.stderr).toMatch(/BASELINE_FORMAT|FILE_ENCODING/);
  });

  it('names a clip and a character that cannot be used, and does the rest', async () => {
    await writeFile(join(folder, 'not-a-rig.glb'), 'glTF');
    const { code, stderr } = await runProgram(
      ['batch', join(library.clips, 'dances'), '--character', ...library.characters, 'not-a-rig.glb', '-o', 'rest'],
      folder,
    );
    expect(code).toBe(3);
    expect(stderr).toMatch(/not-a-rig\.glb {2}GLTF_/);
    expect(Object.keys(resultsOf(contentOf(join(folder, 'rest'))))).toEqual([
      'bodge/round.glb',
      'bodge/turn.glb',
      'pim/round.glb',
      'pim/turn.glb',
    ]);
  });

  it.each([
    [
      'a clip that is not there',
      ['nowhere.bvh', '--character', 'bodge.glb', '-o', 'x'],
      3,
      /nowhere\.bvh {2}BATCH_NO_CLIP/,
    ],
    ['a folder without a clip', ['one/sheets', '--character', 'bodge.glb', '-o', 'x'], 3, /BATCH_NO_CLIP/],
    [
      'a template with an unknown part',
      ['clips', '--character', 'bodge.glb', '-o', 'x', '--naming', '{clp}'],
      2,
      /BATCH_NAMING.*\n.*\{clip\}/,
    ],
    [
      'a template that leads out of the folder',
      ['clips', '--character', 'bodge.glb', '-o', 'x', '--naming', '../{clip}'],
      2,
      /BATCH_NAMING/,
    ],
    ['a shard that is not there', ['clips', '--character', 'bodge.glb', '-o', 'x', '--shard', '4/3'], 2, /i\/n/],
    ['no character', ['clips', '-o', 'x'], 2, /--character/],
  ])('refuses %s and writes nothing', async (_, args, expected, words) => {
    const { code, stderr, stdout } = await runProgram(['batch', ...args], folder);
    expect(stderr).toMatch(words);
    expect({ code, stdout }).toEqual({ code: expected, stdout: '' });
    await expect(readFile(join(folder, 'x/summary.json'))).rejects.toThrow();
  });
});
