import { copyFile, readdir, readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { beforeAll, describe, expect, it } from 'vitest';
import { makeSamples } from '../../samples/make.ts';
import type { PairingReport } from '../../src/convert/pairing-report.ts';
import type { Inspection } from '../../src/inspect.ts';
import { parseMapping } from '../../src/pairing/mapping-file.ts';
import { runProgram } from '../support/program.ts';
import { scratchFolder } from '../support/scratch.ts';

const CLIP = 'night-round.bvh';
const CHARACTER = 'bodge.glb';

const folder = scratchFolder();
const run = (...args: string[]) => runProgram(args, folder);
const at = (name: string) => join(folder, name);

beforeAll(async () => {
  for (const [name, bytes] of await makeSamples()) await writeFile(at(name), bytes);
});

describe.concurrent('usage', () => {
  it('--help names the commands and the exit codes, and is no fault', async () => {
    const { code, stdout, stderr } = await run('--help');
    expect(code).toBe(0);
    expect(stderr).toBe('');
    expect(stdout).toMatch(/inspect .*\n(.*\n)*.*pair /);
    expect(stdout).toContain('0 done, 1 done but the proof failed, 2 bad usage, 3 bad input');
  });

  it.each(['inspect', 'pair'])('%s --help shows an example', async (command) => {
    const { code, stdout } = await run(command, '--help');
    expect(code).toBe(0);
    expect(stdout).toMatch(new RegExp(`Example:\\n {2}rigproof ${command} `));
    for (const flag of ['--json', '--quiet', '--debug']) expect(stdout).toContain(flag);
  });

  it('--version prints that of the package', async () => {
    const { version } = JSON.parse(await readFile(new URL('../../package.json', import.meta.url), 'utf8'));
    expect(await run('--version')).toMatchObject({ code: 0, stdout: `${version}\n` });
  });

  it.each([
    ['nothing at all', [], /Usage: rigproof/],
    ['an unknown command', ['inspct', 'a.bvh'], /Did you mean inspect\?/],
    ['an unknown option', ['inspect', CLIP, '--jason'], /unknown option '--jason'/],
    ['a missing argument', ['pair', CLIP], /missing required argument 'target'/],
    ['too many arguments', ['inspect', CLIP, CLIP], /too many arguments/],
    ['a role that is none', ['pair', CLIP, CHARACTER, '--explain', 'lefthand'], /Did you mean leftHand\?/],
    ['an axis that is none', ['inspect', CLIP, '--up', 'W'], /Expected an axis/],
    ['a unit that is none', ['inspect', CLIP, '--unit', '-1'], /length of a unit in metres/],
    [
      'a mapping that is not there',
      ['inspect', CLIP, '--mapping', 'h-anim'],
      /MAP_NO_FILE .*\n.*Did you mean "h-anim-1"\?/,
    ],
    ['an output that is an input', ['pair', CLIP, CHARACTER, '-o', `./${CLIP}`], /FILE_IS_INPUT/],
    ['a convention for both', ['pair', CLIP, CHARACTER, '--mapping', 'vrm-1'], /MAP_WHICH_FIGURE/],
  ])('%s is refused with code 2 and a hint', async (_, args, words) => {
    const { code, stdout, stderr } = await run(...args);
    expect(code).toBe(2);
    expect(stdout).toBe('');
    expect(stderr).toMatch(words);
    expect(stderr).not.toMatch(/\n\s+at /);
  });
});

describe.concurrent('inspect', () => {
  it('prints what is in a clip', async () => {
    const { code, stdout } = await run('inspect', CLIP);
    expect(code).toBe(0);
    expect(stdout).toMatch(/clip +BVH, 21 joints/);
    expect(stdout).toMatch(/motion +\d+ frames at 60 fps/);
    expect(stdout).toMatch(/leftUpperLeg +femur_l/);
  });

  it('prints the same as JSON, with every documented member', async () => {
    const { code, stdout, stderr } = await run('inspect', CLIP, '--json');
    expect({ code, stderr }).toEqual({ code: 0, stderr: '' });
    const inspection = JSON.parse(stdout) as Inspection;
    expect(inspection).toMatchObject({
      format: 'rigproof-inspection',
      version: 1,
      file: CLIP,
      kind: 'clip',
      joints: 21,
      humanoid: true,
      up: '+Y',
      facing: '+Z',
      metresPerUnit: 0.01,
      restPose: 'T',
      fps: 60,
      animations: [],
      referencePose: null,
    });
    const text = await readFile(at(CLIP), 'utf8');
    const announced = Number(/Frames:\s*(\d+)/.exec(text)![1]);
    expect(inspection.frames).toBe(announced);
    expect(inspection.duration).toBeCloseTo(announced / 60, 4);
    expect(inspection.roles.leftUpperLeg).toMatchObject({ joint: 'femur_l' });
    expect(inspection.roles.leftUpperLeg!.confidence).toBeGreaterThan(0.75);
    expect(inspection.roles.leftUpperLeg!.evidence.length).toBeGreaterThan(0);
  });

  it('tells what a character is', async () => {
    const { code, stdout } = await run('inspect', CHARACTER, '--json');
    expect(code).toBe(0);
    expect(JSON.parse(stdout)).toMatchObject({
      kind: 'character',
      fileFormat: 'glTF',
      humanoid: true,
      up: '+Y',
      facing: '+Z',
      restPose: 'A',
      frames: null,
      fps: null,
      duration: null,
      referencePose: { kind: 'node rest' },
    });
  });

  it('goes by the content of a file, not by its name', async () => {
    await copyFile(at(CLIP), at('clip.glb'));
    const { code, stdout } = await run('inspect', 'clip.glb', '--json');
    expect(code).toBe(0);
    expect(JSON.parse(stdout)).toMatchObject({ kind: 'clip', joints: 21 });
  });

  it('prints nothing with --quiet', async () => {
    expect(await run('inspect', CLIP, '--quiet')).toEqual({ code: 0, stdout: '', stderr: '' });
  });

  it('lists every joint with --joints', async () => {
    const { stdout } = await run('inspect', CLIP, '--joints');
    expect(stdout).toMatch(/\n {4}pelvis_c {2}= hips\n/);
  });

  it('takes a role and a unit that were said by hand', async () => {
    const mapping = { format: 'rigproof-mapping', version: 1, source: { roles: { leftToes: null } } };
    await writeFile(at('no-toes.map.json'), JSON.stringify(mapping));
    const { stdout } = await run('inspect', CLIP, '--json', '--mapping', 'no-toes.map.json', '--unit', '0.02');
    const inspection = JSON.parse(stdout) as Inspection;
    expect(inspection.metresPerUnit).toBe(0.02);
    expect(inspection.roles.leftToes).toBeUndefined();
    expect(inspection.roles.rightToes).toBeDefined();
  });
});

describe.concurrent('pair', () => {
  it('writes a mapping file that gives the same pairing back', async () => {
    const first = await run('pair', CLIP, CHARACTER, '-o', 'hero.map.json', '--json');
    expect(first.code).toBe(0);
    const report = JSON.parse(first.stdout) as PairingReport & { mapping: string };
    expect(report.mapping).toBe('hero.map.json');
    expect(report.missing).toEqual([]);
    const mapping = parseMapping(await readFile(at('hero.map.json'), 'utf8'), 'hero.map.json');
    expect(mapping.source?.roles?.leftHand).toBe('wrist_l');
    expect(mapping.target?.roles?.leftHand).toBe('left_hand');
    const second = await run('pair', CLIP, CHARACTER, '--mapping', 'hero.map.json', '--json');
    const again = JSON.parse(second.stdout) as PairingReport;
    const names = ({ pairs }: PairingReport) =>
      pairs.map(({ role, source, target }) => [role, source.joint, target.joint]);
    expect(names(again)).toEqual(names(report));
  });

  it('does not replace a mapping file that may have been edited, unless told', async () => {
    await writeFile(at('mine.map.json'), 'edited');
    const refused = await run('pair', CLIP, CHARACTER, '-o', 'mine.map.json');
    expect(refused).toMatchObject({ code: 2, stdout: '' });
    expect(refused.stderr).toMatch(/FILE_EXISTS/);
    expect(await readFile(at('mine.map.json'), 'utf8')).toBe('edited');
    expect(await run('pair', CLIP, CHARACTER, '-o', 'mine.map.json', '--force')).toMatchObject({ code: 0 });
    expect(await readFile(at('mine.map.json'), 'utf8')).toContain('"rigproof-mapping"');
  });

  it('explains a role with the evidence of both figures', async () => {
    const { code, stdout } = await run('pair', CLIP, CHARACTER, '--explain', 'leftHand');
    expect(code).toBe(0);
    expect(stdout).toMatch(/leftHand is wrist_l, \d+ %\n {2}\S/);
    expect(stdout).toMatch(/leftHand is left_hand, \d+ %\n {2}\S/);
  });

  it('refuses a mapping whose joint the figure does not have, with the nearest name', async () => {
    const mapping = { format: 'rigproof-mapping', version: 1, target: { roles: { leftHand: 'LeftHand' } } };
    await writeFile(at('typo.map.json'), JSON.stringify(mapping));
    const { code, stderr } = await run('pair', CLIP, CHARACTER, '--mapping', 'typo.map.json', '-o', 'typo-out.json');
    expect(code).toBe(3);
    expect(stderr).toMatch(/typo\.map\.json.*MAP_JOINT_UNKNOWN.*\n.*"left_hand"/);
    expect(await readdir(folder)).not.toContain('typo-out.json');
  });
});
