/**
 * Whole job: a library onto three rigs with two workers, start-up included, beside the plain way with three alone
 * (`three-pipeline.ts`, one thread), divided by two as if it scaled without loss. Also peak memory.
 *
 *   npx tsx tests/scripts/bench-batch.ts [folder] [runs]
 */

import { spawn } from 'node:child_process';
import { mkdtempSync, readdirSync, readFileSync, rmSync, statSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { openFile } from '../../src/convert/node.ts';
import { createReceiver } from '../../src/convert/receiver.ts';
import { readBody } from '../../src/pairing/read-body.ts';
import { machine, table } from '../bench/measure.ts';
import { builtProgram } from '../support/program.ts';

const DATA = fileURLToPath(new URL('../../../shared/data/', import.meta.url));
const library = process.argv[2] ?? join(DATA, 'bvh-library');
const runs = Number(process.argv[3] ?? 3);
const RIGS = ['man_casual.glb', 'knight.glb', 'slim_vrm0.vrm'].map((name) => join(DATA, 'rigs', name));

const folder = mkdtempSync(join(tmpdir(), 'rigproof-bench-'));
const program = await builtProgram();
const clips = readdirSync(library)
  .filter((name) => name.endsWith('.bvh'))
  .map((name) => join(library, name));
const megabytes = clips.reduce((sum, path) => sum + statSync(path).size, 0) / 1e6;
let frames = 0;
for (const path of clips) frames += Number(/Frames:\s*(\d+)/.exec(readFileSync(path, 'latin1'))?.[1] ?? 0);

/** Joint names of each rig → of the clip, by our pairing: three has none. */
async function planForThree(): Promise<string> {
  const opened = await openFile(clips[0]!);
  if (opened.kind !== 'clip') throw new Error('The library has to hold BVH clips.');
  const { skeleton } = opened.file.takes[0]!;
  const source = readBody({ skeleton });
  const rigs = [];
  for (const file of RIGS) {
    const rig = await openFile(file);
    if (rig.kind !== 'character') throw new Error(`${file} is no character.`);
    const { actor } = createReceiver(rig.character);
    const names: Record<string, string> = {};
    // three's loader takes out what its own paths cannot hold.
    const inThree = (name: string) => name.replace(/\s/g, '_').replace(/[[\].:/]/g, '');
    for (const [role, joint] of Object.entries(actor.body.roles) as [keyof typeof source.roles, number][]) {
      const from = source.roles[role];
      if (from !== undefined) names[inThree(actor.skeleton.names[joint]!)] = skeleton.names[from]!;
    }
    rigs.push({ file, hip: skeleton.names[source.roles.hips!]!, names });
  }
  const path = join(folder, 'plan.json');
  writeFileSync(path, JSON.stringify({ clips, rigs }));
  return path;
}

interface Run {
  seconds: number;
  peak: number;
  /** Processor time of all threads, s: the same on a busy machine. */
  cpu: number;
  stdout: string;
}

function time(args: readonly string[]): Promise<Run> {
  const begin = performance.now();
  const child = spawn(process.execPath, args, { stdio: ['ignore', 'pipe', 'inherit'] });
  let peak = 0;
  let cpu = 0;
  let stdout = '';
  child.stdout.setEncoding('utf8').on('data', (text) => {
    stdout += text;
  });
  const look = setInterval(() => {
    try {
      peak = Math.max(
        peak,
        Number(/VmHWM:\s+(\d+)/.exec(readFileSync(`/proc/${child.pid}/status`, 'utf8'))?.[1] ?? 0) / 1024,
      );
      // Fields 14 and 15 of proc(5), in hundredths of a second; the name in field 2 may hold blanks.
      const fields = readFileSync(`/proc/${child.pid}/stat`, 'utf8')
        .replace(/^.*\) /, '')
        .split(' ');
      cpu = (Number(fields[11]) + Number(fields[12])) / 100;
    } catch {
      // It has ended.
    }
  }, 20);
  return new Promise((done, fail) => {
    child.on('error', fail);
    child.on('close', (code) => {
      clearInterval(look);
      if ((code ?? 9) > 1) fail(new Error(`ended with ${code}`));
      else done({ seconds: (performance.now() - begin) / 1000, peak, cpu, stdout });
    });
  });
}

const plan = await planForThree();
const ours = (out: string, ...flags: string[]) => [
  join(program, 'main.js'),
  'batch',
  library,
  '--character',
  ...RIGS,
  '-o',
  join(folder, out),
  '--workers',
  '2',
  '--quiet',
  ...flags,
];
const rows: { name: string; args: () => string[]; share: number; times: number[]; cpus: number[]; peak: number }[] = [
  {
    name: 'three: BVHLoader → retargetClip → GLTFExporter, halved',
    args: () => ['--import', 'tsx', fileURLToPath(new URL('three-pipeline.ts', import.meta.url)), plan],
    share: 0.5,
    times: [],
    cpus: [],
    peak: 0,
  },
  {
    name: 'converting only',
    args: () => ours('plain', '--no-contact', '--no-hand-contact', '--no-proof'),
    share: 1,
    times: [],
    cpus: [],
    peak: 0,
  },
  { name: 'with contact', args: () => ours('contact', '--no-proof'), share: 1, times: [], cpus: [], peak: 0 },
  {
    name: 'with contact and proof',
    args: () => ours('proof', '--sheets', 'none'),
    share: 1,
    times: [],
    cpus: [],
    peak: 0,
  },
];
try {
  for (let run = 0; run < runs; run++) {
    for (const row of rows) {
      for (const name of ['plain', 'contact', 'proof']) rmSync(join(folder, name), { recursive: true, force: true });
      const { seconds, peak, cpu } = await time(row.args());
      row.times.push(seconds * row.share);
      row.cpus.push(cpu);
      row.peak = Math.max(row.peak, peak);
    }
  }
} finally {
  rmSync(folder, { recursive: true, force: true });
}
const median = (values: number[]) => values.toSorted((a, b) => a - b)[Math.floor(values.length / 2)]!;
const base = median(rows[0]!.times);
console.log(
  `${clips.length} clips (${megabytes.toFixed(0)} MB, ${frames} frames) onto ${RIGS.length} rigs, two workers, start-up included; ${runs} runs; ${machine()}`,
);
console.log(
  table(
    ['', 'median s', 'min s', 'max s', 'times faster', 'frames/s', 'processor s', 'peak MB'],
    rows.map(({ name, times, cpus, peak }) => [
      name,
      median(times).toFixed(2),
      Math.min(...times).toFixed(2),
      Math.max(...times).toFixed(2),
      (base / median(times)).toFixed(1),
      Math.round((frames * RIGS.length) / median(times)).toLocaleString('en'),
      median(cpus).toFixed(1),
      peak.toFixed(0),
    ]),
  ),
);
