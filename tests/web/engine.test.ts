import { readFileSync } from 'node:fs';
import { readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { makeSamples } from '../../samples/make.ts';
import type { RetargetResult } from '../../src/cli/retarget.ts';
import type { Clip } from '../../src/index.ts';
import { OPTIONS } from '../../web/model/session.ts';
import { createEngine, type Engine } from '../../web/worker/engine.ts';
import type { Job } from '../../web/worker/protocol.ts';
import { runProgram } from '../support/program.ts';
import { HAS_RIGS, RIGS_REASON, rigPath } from '../support/rigs.ts';
import { scratchFolder } from '../support/scratch.ts';

const CLIP = new URL('../../../shared/data/bvh/figure8_walk.bvh', import.meta.url);
/** Its hips are the topmost joint; a node above them is none. */
const RIG = 'skeleton_vrm1.vrm';

const folder = scratchFolder();
const noDraco = () => Promise.reject(new Error('no compressed mesh'));

async function openAll(engine: Engine, [clip, clipBytes]: NamedBytes, [rig, rigBytes]: NamedBytes): Promise<Job> {
  const open = (id: string, name: string, bytes: Uint8Array) =>
    engine.open({ id, name, bytes: new Uint8Array(bytes).buffer, companions: [] });
  await open('clip', clip, clipBytes);
  await open('rig', rig, rigBytes);
  return {
    character: { id: 'rig', name: rig },
    clip: { id: 'clip', name: clip, animation: null, title: clip.replace(/\.bvh$/, '') },
    mapping: {},
    spaces: { source: {}, target: {} },
    options: OPTIONS,
  };
}

type NamedBytes = [name: string, bytes: Uint8Array];

/** As `--json` prints it, to nine digits. */
function asPrinted(value: unknown): unknown {
  return JSON.parse(JSON.stringify(value, (_, x) => (typeof x === 'number' ? Number(x.toPrecision(9)) : x)));
}

/** How far a joint goes over the floor by its own translations, metres. */
function wayOf({ translationJoints, translations, frameCount }: Clip, joint: number): number {
  const slot = translationJoints.indexOf(joint);
  const at = (f: number, k: number) => translations[(f * translationJoints.length + slot) * 3 + k]!;
  let sum = 0;
  for (let f = 1; f < frameCount; f++) sum += Math.hypot(at(f, 0) - at(f - 1, 0), at(f, 2) - at(f - 1, 2));
  return sum;
}

describe('the engine of the app', () => {
  it.each([
    ['keep', []],
    ['in-place', ['--root-motion', 'in-place', '--int16']],
  ] as const)('writes and proves what the command line does (root motion: %s)', async (rootMotion, flags) => {
    const samples = await makeSamples();
    const clip: NamedBytes = ['night-round.bvh', samples.get('night-round.bvh')!];
    const rig: NamedBytes = ['bodge.glb', samples.get('bodge.glb')!];
    for (const [name, bytes] of [clip, rig]) await writeFile(join(folder, name), bytes);
    const written = `${rootMotion}.glb`;
    const range = ['--from', '1', '--to', '3'];
    const args = ['retarget', clip[0], rig[0], '-o', written, '--json', ...range, ...flags];
    const { proof } = JSON.parse((await runProgram(args, folder)).stdout) as RetargetResult;

    const engine = createEngine(noDraco);
    const opened = await openAll(engine, clip, rig);
    const job = { ...opened, options: { ...OPTIONS, rootMotion, from: 1, to: 3, int16: flags.length > 0 } };
    const { bytes } = await engine.deliver(job, 'glb');
    expect((await readFile(join(folder, written))).equals(bytes)).toBe(true);
    expect(asPrinted((await engine.prove(job)).proof)).toEqual(proof);
  });

  it.skipIf(!HAS_RIGS)(`puts the travel onto a node above the hips that is no joint yet${RIGS_REASON}`, async () => {
    const engine = createEngine(noDraco);
    const job = await openAll(engine, ['walk.bvh', readFileSync(CLIP)], [RIG, readFileSync(rigPath(RIG))]);
    const kept = await engine.motion(job);
    const extracted = await engine.motion({ ...job, options: { ...OPTIONS, rootMotion: 'extract' } });
    const hipsBefore = kept.conversion.plan.target.body.roles.hips!;
    const { body, skeleton } = extracted.conversion.plan.target;
    const root = skeleton.parents[body.roles.hips!]!;
    expect(kept.conversion.plan.target.skeleton.parents[hipsBefore]).toBe(-1);
    expect(root).toBeGreaterThanOrEqual(0);
    // The way over the floor, as much as the hips went before.
    expect(wayOf(extracted.conversion.clip, root)).toBeGreaterThan(0.8 * wayOf(kept.conversion.clip, hipsBefore));
    const { proof } = await engine.prove({ ...job, options: { ...OPTIONS, rootMotion: 'extract' } });
    expect(proof.measures.find(({ id }) => id === 'plant-drift')?.verdict).toBe('pass');
    // Without it the character is as it was.
    expect((await engine.motion(job)).conversion.plan.target.skeleton.jointCount).toBe(skeleton.jointCount - 1);
  });
});
