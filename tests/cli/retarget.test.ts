import { readdir, readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { validateBytes } from 'gltf-validator';
import { beforeAll, describe, expect, it } from 'vitest';
import { makeSamples } from '../../samples/make.ts';
import type { ProveResult } from '../../src/cli/prove.ts';
import type { RetargetResult } from '../../src/cli/retarget.ts';
import { parseBvh } from '../../src/formats/bvh/index.ts';
import { runProgram } from '../support/program.ts';
import { scratchFolder } from '../support/scratch.ts';

const CLIP = 'night-round.bvh';
const CHARACTER = 'bodge.glb';

const folder = scratchFolder();
const run = (...args: string[]) => runProgram(args, folder);
const at = (name: string) => join(folder, name);
const samples = new Map<string, Uint8Array>();

beforeAll(async () => {
  for (const [name, bytes] of await makeSamples()) {
    samples.set(name, name === CLIP ? firstFrames(bytes, 150) : bytes);
    await writeFile(at(name), samples.get(name)!);
  }
});

/** The opening of a BVH clip, so that two dozen runs are quick. */
function firstFrames(bvh: Uint8Array, count: number): Uint8Array {
  const lines = new TextDecoder().decode(bvh).split('\n');
  const motion = lines.findIndex((line) => line.startsWith('MOTION'));
  lines[motion + 1] = `Frames: ${count}`;
  return new TextEncoder().encode(`${lines.slice(0, motion + 3 + count).join('\n')}\n`);
}

/** The exit code says what the proof says. */
function expectVerdict(code: number | null, { verdict }: { verdict: string }): void {
  expect(['pass', 'fail']).toContain(verdict);
  expect(code).toBe(verdict === 'fail' ? 1 : 0);
}

describe.concurrent('retarget', () => {
  it('writes the character with the animation, proves it and leaves the inputs as they were', async () => {
    const { code, stdout, stderr } = await run('retarget', CLIP, CHARACTER, '-o', 'walk.glb', '--json');
    expect(stderr).toBe('');
    const result = JSON.parse(stdout) as RetargetResult;
    expectVerdict(code, result.proof);
    expect(result).toMatchObject({
      format: 'rigproof-retarget',
      version: 1,
      source: { file: CLIP, joints: 21, fps: 60 },
      target: { file: CHARACTER, joints: 30 },
      pairs: 21,
      unsure: [],
      output: { file: 'walk.glb', form: 'glb', animation: 'night-round' },
    });
    const written = await readFile(at('walk.glb'));
    expect(written.length).toBe(result.output.bytes);
    // Outside source: the Khronos glTF validator.
    const { issues } = await validateBytes(new Uint8Array(written));
    expect(issues.numErrors).toBe(0);
    for (const name of [CLIP, CHARACTER]) expect(await readFile(at(name))).toEqual(Buffer.from(samples.get(name)!));
  });

  it('is proved the same by prove, which knows only the written file and the clip', async () => {
    const made = JSON.parse(
      (await run('retarget', CLIP, CHARACTER, '-o', 'again.glb', '--json')).stdout,
    ) as RetargetResult;
    const { code, stdout } = await run('prove', 'again.glb', '--source', CLIP, '--json');
    const result = JSON.parse(stdout) as ProveResult;
    expectVerdict(code, result.proof);
    expect(result).toMatchObject({
      format: 'rigproof-proof',
      file: 'again.glb',
      animation: 'night-round',
      source: CLIP,
    });
    const values = ({ measures }: ProveResult['proof']) =>
      Object.fromEntries(measures.map(({ id, value }) => [id, value === null ? null : value.toPrecision(4)]));
    expect(values(result.proof)).toEqual(values(made.proof));
  });

  it('gives the same bytes again', async () => {
    await run('retarget', CLIP, CHARACTER, '-o', 'first.glb', '--quiet');
    await run('retarget', CLIP, CHARACTER, '-o', 'second.glb', '--quiet');
    expect(await readFile(at('first.glb'))).toEqual(await readFile(at('second.glb')));
  });

  it.each([
    ['the animation alone', ['-o', 'only.glb', '--animation-only'], 'only.glb'],
    ['a VRM animation', ['-o', 'motion.vrma'], 'motion.vrma'],
  ])('writes %s, which the validator finds no error in', async (_, flags, name) => {
    const { code, stderr } = await run('retarget', CLIP, CHARACTER, ...flags, '--quiet');
    expect([0, 1]).toContain(code);
    expect(stderr).toBe('');
    const written = await readFile(at(name));
    const { issues } = await validateBytes(new Uint8Array(written));
    expect(issues.numErrors).toBe(0);
    expect(written.length).toBeLessThan(samples.get(CHARACTER)!.length);
  });

  it('writes BVH on the skeleton of the character', async () => {
    await run('retarget', CLIP, CHARACTER, '-o', 'motion.bvh', '--quiet');
    const { takes } = parseBvh(await readFile(at('motion.bvh')), 'motion.bvh');
    expect(takes).toHaveLength(1);
    expect(takes[0]!.skeleton.names).toContain('left_thigh');
    const source = parseBvh(samples.get(CLIP)!, CLIP).takes[0]!.clip;
    expect(takes[0]!.clip.frameCount).toBeLessThanOrEqual(source.frameCount);
    expect(takes[0]!.clip.frameDuration).toBeCloseTo(source.frameDuration, 9);
  });

  it('names the output after both files where no name is given', async () => {
    const { stdout } = await run('retarget', CLIP, 'pim.glb');
    expect(stdout).toContain('Written: pim-night-round.glb');
    expect(await readdir(folder)).toContain('pim-night-round.glb');
  });

  it('takes its motion from a character file too', async () => {
    await run('retarget', CLIP, 'tamsel.glb', '-o', 'dancer.glb', '--quiet');
    const { stdout } = await run('retarget', 'dancer.glb', CHARACTER, '-o', 'from-glb.glb', '--fps', '30', '--json');
    const result = JSON.parse(stdout) as RetargetResult;
    expect(result.source.fps).toBeCloseTo(30, 6);
    expect(result.output.animation).toBe('dancer');
  });

  it('writes fewer bytes with tolerances than with all keys, and fewer with int16', async () => {
    const size = async (name: string, ...flags: string[]) => {
      await run('retarget', CLIP, CHARACTER, '-o', name, '--quiet', ...flags);
      return (await readFile(at(name))).length - samples.get(CHARACTER)!.length;
    };
    const [all, reduced, small] = await Promise.all([
      size('all.glb', '--keep-all-keys'),
      size('reduced.glb'),
      size('small.glb', '--int16'),
    ]);
    expect(reduced).toBeLessThan(all);
    expect(small).toBeLessThan(reduced);
  });

  it('writes a proof sheet and a JUnit report', async () => {
    const flags = ['--sheet', 'proof.html', '--junit', 'proof.xml'];
    const { stdout } = await run('retarget', CLIP, CHARACTER, '-o', 'sheet.glb', ...flags);
    expect(stdout).toContain('Proof sheet: proof.html');
    const sheet = await readFile(at('proof.html'), 'utf8');
    expect(sheet).toMatch(/^<!doctype html>/);
    // The audit of the rig is a part of it.
    expect(sheet).toContain('<h2>The rig</h2>');
    expect(await readFile(at('proof.xml'), 'utf8')).toContain('<testsuite');
  });

  it('says which parts of a mapping it does not use', async () => {
    const mapping = {
      format: 'rigproof-mapping',
      version: 1,
      limbs: { leftArm: { reach: 0 } },
      corrections: { head: { twist: 5 } },
      source: { follow: ['pelvis_c'] },
    };
    await writeFile(at('part.map.json'), JSON.stringify(mapping));
    const { stdout } = await run('retarget', CLIP, CHARACTER, '-o', 'part.glb', '--mapping', 'part.map.json', '--json');
    const { warnings } = JSON.parse(stdout) as RetargetResult;
    expect(warnings.filter(({ code }) => code === 'MAP_NOT_APPLIED').map(({ message }) => message)).toEqual([
      'Joints of the clip cannot follow: "follow" is for the target.',
    ]);
  });

  it.each([
    ['its own character', ['retarget', CLIP, CHARACTER, '-o', `./${CHARACTER}`], 2, /FILE_IS_INPUT/],
    ['its own clip', ['retarget', CLIP, CHARACTER, '-o', CLIP], 2, /FILE_IS_INPUT/],
    ['a format that it does not know', ['retarget', CLIP, CHARACTER, '-o', 'walk.fbx'], 2, /OUTPUT_FORM.*\.fbx/],
    [
      'a clip for a character',
      ['retarget', CHARACTER, CLIP, '-o', 'swapped.glb'],
      3,
      /CLIP_NO_ANIMATION|FILE_NOT_CHARACTER/,
    ],
    ['a folder that is not there', ['retarget', CLIP, CHARACTER, '-o', 'nowhere/walk.glb'], 3, /FILE_WRITE/],
  ])('refuses to write %s', async (_, args, expected, words) => {
    const { code, stdout, stderr } = await run(...args);
    expect(stderr).toMatch(words);
    expect({ code, stdout }).toEqual({ code: expected, stdout: '' });
    for (const name of [CLIP, CHARACTER]) expect(await readFile(at(name))).toEqual(Buffer.from(samples.get(name)!));
    for (const name of ['walk.fbx', 'swapped.glb', 'nowhere']) expect(await readdir(folder)).not.toContain(name);
  });
});

describe.concurrent('prove', () => {
  it('refuses a character without an animation', async () => {
    const { code, stderr } = await run('prove', CHARACTER);
    expect(code).toBe(3);
    expect(stderr).toMatch(/bodge\.glb {2}CLIP_NO_ANIMATION/);
  });

  it('measures a motion on its own where no clip is given', async () => {
    await run('retarget', CLIP, 'tamsel.glb', '-o', 'alone.glb', '--quiet');
    const { code, stdout } = await run('prove', 'alone.glb', '--json');
    const { proof, source } = JSON.parse(stdout) as ProveResult;
    expectVerdict(code, proof);
    expect(source).toBeNull();
    expect(proof.figures.source).toBeNull();
  });
});
