import { existsSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { beforeAll, describe, expect, it } from 'vitest';
import { FIFTEEN_FAULTS, makeFaulty } from '../../samples/faulty.ts';
import { runProgram } from '../support/program.ts';
import { scratchFolder } from '../support/scratch.ts';

const folder = scratchFolder();
const file = (name: string) => join(folder, name);

beforeAll(async () => {
  writeFileSync(file('clean.glb'), (await makeFaulty([])).glb);
  writeFileSync(file('faulty.glb'), (await makeFaulty(FIFTEEN_FAULTS)).glb);
  writeFileSync(
    file('walk.bvh'),
    'HIERARCHY\nROOT hips\n{\n OFFSET 0 0 0\n CHANNELS 3 Xrotation Yrotation Zrotation\n End Site\n {\n  OFFSET 0 1 0\n }\n}\nMOTION\nFrames: 1\nFrame Time: 0.1\n0 0 0\n',
  );
});

describe('rigproof audit', () => {
  it('says that a clean rig has nothing, with code 0', async () => {
    const { code, stdout, stderr } = await runProgram(['audit', 'clean.glb'], folder);
    expect({ code, stderr }).toEqual({ code: 0, stderr: '' });
    expect(stdout).toContain('0 faults, 0 warnings, 0 notes');
  });

  it('names what is wrong, where and what to do, with code 1', async () => {
    const { code, stdout } = await runProgram(['audit', 'faulty.glb'], folder);
    expect(code).toBe(1);
    expect(stdout).toMatch(
      /fault +A control or pole target carries skin\n +KneePole\.L: 48 vertices of faulty_body \(712–759\)/,
    );
    expect(stdout).toContain('→ Move this weight to the joint the skin lies on');
    expect(stdout.indexOf('fault ')).toBeLessThan(stdout.indexOf('warning '));
  });

  it('prints the same as JSON and nothing else', async () => {
    const { code, stdout } = await runProgram(['audit', 'faulty.glb', '--json'], folder);
    expect(code).toBe(1);
    const result = JSON.parse(stdout);
    expect(result).toMatchObject({ format: 'rigproof-audit', version: 1, humanoid: true, sound: false, mend: null });
    const ids = result.findings.map(({ id }: { id: string }) => id);
    expect(ids).toEqual(expect.arrayContaining(['no-weight', 'limb-chain', 'side-name-style']));
    expect(result.exercise.fps).toBe(30);
    expect(result.scores.find(({ part }: { part: string }) => part === 'head').score).toBe(100);
  });

  it('is silent with --quiet', async () => {
    const { code, stdout, stderr } = await runProgram(['audit', 'faulty.glb', '--quiet'], folder);
    expect({ code, stdout, stderr }).toEqual({ code: 1, stdout: '', stderr: '' });
  });

  it('writes a mended copy, lists what was done and leaves the original', async () => {
    const before = readFileSync(file('faulty.glb'));
    const { code, stdout } = await runProgram(['audit', 'faulty.glb', '--mend', 'mended.glb'], folder);
    expect(code).toBe(1);
    expect(stdout).toContain('weights normalised to sum 1: 40 vertices of faulty_body');
    expect(Buffer.compare(readFileSync(file('faulty.glb')), before)).toBe(0);
    const again = await runProgram(['audit', 'mended.glb', '--json'], folder);
    const ids = JSON.parse(again.stdout).findings.map(({ id }: { id: string }) => id);
    for (const id of ['no-weight', 'weight-sum', 'control-weight', 'idle-joint']) expect(ids).not.toContain(id);
  });

  it('refuses to write over the original, with code 2', async () => {
    const before = readFileSync(file('clean.glb'));
    const { code, stderr } = await runProgram(['audit', 'clean.glb', '--mend', './clean.glb'], folder);
    expect(code).toBe(2);
    expect(stderr).toContain('FILE_IS_INPUT');
    expect(Buffer.compare(readFileSync(file('clean.glb')), before)).toBe(0);
  });

  it.each([
    ['a clip', ['audit', 'walk.bvh'], 3, 'AUDIT_NO_CHARACTER'],
    ['a file that is not there', ['audit', 'absent.glb'], 3, 'FILE_OPEN'],
    ['no file', ['audit'], 2, 'character'],
  ])('refuses %s', async (_, args, expected, text) => {
    const { code, stdout, stderr } = await runProgram(args, folder);
    expect(code).toBe(expected);
    expect(stdout).toBe('');
    expect(stderr).toContain(text);
    expect(stderr).not.toMatch(/\n\s+at /);
    expect(existsSync(file('mended-absent.glb'))).toBe(false);
  });
});
