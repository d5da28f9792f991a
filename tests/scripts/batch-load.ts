/**
 * What is too heavy for `npm test`: the whole shared library onto three rigs. Prints what it finds, and ends with 1 when
 * something is not as it has to be.
 *
 *   npx tsx tests/scripts/batch-load.ts [same|kill|queue|memory|all] [kills]
 *
 * same    1, 2 and 4 workers, shards, the queue and single runs give the same bytes; a second run takes under 2 s
 * kill    a run is killed with -9 in mid-job again and again; it goes on to the same bytes
 * queue   the same with the workers of a queue (needs redis-server)
 * memory  peak memory of the whole library beside that of a tenth of it
 */
import { createHash } from 'node:crypto';
import { cpSync, existsSync, mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { Queue } from 'bullmq';
import { validateBytes } from 'gltf-validator';
import type { BatchCommandResult } from '../../src/cli/batch.ts';
import { programVersion } from '../../src/cli/batch-options.ts';
import { contentOf } from '../batch/content.ts';
import { hasRedis, startRedis } from '../batch/redis.ts';
import { builtProgram, startBuilt } from '../support/program.ts';

const LIBRARY = fileURLToPath(new URL('../../../shared/data/bvh-library', import.meta.url));
const RIG_FOLDER = fileURLToPath(new URL('../../../shared/data/rigs', import.meta.url));
const RIGS = ['man_casual.glb', 'knight.glb', 'slim_vrm0.vrm'].map((name) => join(RIG_FOLDER, name));
const MEMORY_GROWTH = 0.2; // The whole library may need this much more than a tenth of it.

let faults = 0;
function check(what: string, isGood: boolean, figures = ''): void {
  if (!isGood) faults++;
  console.log(`${isGood ? 'ok   ' : 'FAULT'}  ${what}${figures ? `: ${figures}` : ''}`);
}

const folder = mkdtempSync(join(tmpdir(), 'rigproof-load-'));
const program = await builtProgram();
const batchArgs = (out: string, ...flags: string[]) => [
  'batch',
  LIBRARY,
  '--character',
  ...RIGS,
  '-o',
  out,
  '--json',
  ...flags,
];
const at = (name: string) => join(folder, name);

async function batch(out: string, ...flags: string[]): Promise<{ seconds: number; result: BatchCommandResult }> {
  const begin = performance.now();
  const { code, stdout, stderr } = await startBuilt(program, batchArgs(out, ...flags), folder).ended;
  if (code === null || code > 1) throw new Error(`The batch ended with ${code}: ${stderr}`);
  return { seconds: (performance.now() - begin) / 1000, result: JSON.parse(stdout) };
}

function sameFiles(a: Record<string, string>, b: Record<string, string>): string {
  const names = [...new Set([...Object.keys(a), ...Object.keys(b)])];
  const other = names.filter((name) => a[name] !== b[name]);
  return other.length === 0 ? '' : `${other.length} of ${names.length} differ, as ${other.slice(0, 3).join(', ')}`;
}

function checkSame(what: string, out: string, reference: Record<string, string>): void {
  const content = contentOf(at(out));
  const leftovers = Object.keys(content).filter((name) => name.endsWith('.rigproof-part'));
  for (const name of leftovers) delete content[name];
  const difference = sameFiles(reference, content);
  check(
    what,
    difference === '',
    difference ||
      `${Object.keys(content).length} files equal${leftovers.length > 0 ? `, ${leftovers.length} unfinished beside them` : ''}`,
  );
}

async function makeReference(): Promise<Record<string, string>> {
  const { seconds, result } = await batch('one', '--workers', '1');
  console.log(`       ${result.counts.jobs} jobs with one worker in ${seconds.toFixed(1)} s`);
  check(
    'every job is done',
    result.counts.missing + result.counts.unreadable + result.counts.unusable === 0,
    JSON.stringify(result.counts),
  );
  return contentOf(at('one'));
}

async function checkEqual(reference: Record<string, string>): Promise<void> {
  const again = await batch('one', '--workers', '1');
  check(
    'a second run does nothing, in under 2 s',
    again.result.converted === 0 && again.seconds < 2,
    `${again.seconds.toFixed(2)} s`,
  );
  for (const workers of ['2', '4']) {
    const { seconds } = await batch(`workers-${workers}`, '--workers', workers);
    checkSame(`${workers} workers give the bytes of one (${seconds.toFixed(1)} s)`, `workers-${workers}`, reference);
  }
  for (const i of [1, 2, 3]) await batch('shards', '--shard', `${i}/3`);
  for (const name of readdirSync(at('shards'))) if (name.startsWith('summary-')) rmSync(join(at('shards'), name));
  await batch('shards');
  checkSame('three shards give the bytes of one run', 'shards', reference);

  let equal = 0;
  const names = readdirSync(LIBRARY);
  for (const name of names) {
    for (const rig of RIGS) {
      await startBuilt(program, ['retarget', join(LIBRARY, name), rig, '-o', 'single.glb', '--quiet'], folder).ended;
      const label = rig.replace(/^.*\/|\.[^.]+$/g, '');
      const file = `${label}/${name.replace(/\.bvh$/, '.glb')}`;
      if (hashOf(at('single.glb')) === reference[file]) equal++;
      else console.log(`       ${file} is not what retarget writes`);
    }
  }
  check(
    'single runs of retarget give the same bytes',
    equal === names.length * RIGS.length,
    `${equal} of ${names.length * RIGS.length}`,
  );

  const sample = Object.keys(reference)
    .filter((name) => name.endsWith('.glb'))
    .filter((_, i) => i % 7 === 0);
  let errors = 0;
  for (const name of sample)
    errors += (await validateBytes(new Uint8Array(readFileSync(join(at('one'), name))))).issues.numErrors;
  check('the Khronos validator finds no error', errors === 0, `${errors} errors in ${sample.length} files`);
}

const hashOf = (path: string) => createHash('sha256').update(readFileSync(path)).digest('hex').slice(0, 16);
const wait = (ms: number) => new Promise((done) => setTimeout(done, ms));
const recordsIn = (out: string) => {
  const root = join(at(out), '.rigproof/jobs');
  return existsSync(root)
    ? readdirSync(root, { recursive: true, encoding: 'utf8' }).filter((name) =>
        /(^|[/\\])[^.][^/\\]*\.json$/.test(name),
      ).length
    : 0;
};

/** Kills the process that does the batch, each time after some more jobs, then lets it end. */
async function checkKilled(reference: Record<string, string>, kills: number): Promise<void> {
  let converted = 0;
  for (let i = 0; i < kills; i++) {
    const before = recordsIn('killed');
    const { child, ended } = startBuilt(program, batchArgs('killed', '--workers', '2'), folder);
    // A job or two is done, others are in hand: they take longer than the pause.
    while (recordsIn('killed') < before + 2 && child.exitCode === null) await wait(20);
    await wait(50 + 90 * i);
    child.kill('SIGKILL');
    await ended;
    const now = recordsIn('killed');
    converted += now - before;
    console.log(`       kill ${i + 1}: ${now} of 69 done`);
  }
  const last = await batch('killed');
  converted += last.result.converted;
  check(
    'nothing was done twice',
    converted === last.result.counts.jobs,
    `${converted} records written for ${last.result.counts.jobs} jobs`,
  );
  checkSame(`a run killed ${kills} times goes on to the same bytes`, 'killed', reference);
}

/** Kills one worker of a queue after the other, while it has a clip in hand; others take over. */
async function checkQueue(reference: Record<string, string>, kills: number): Promise<void> {
  if (!hasRedis) {
    console.log('skip   the queue: there is no redis-server (apt-get install redis-server)');
    return;
  }
  const redis = await startRedis();
  const { hostname: host, port } = new URL(redis.url);
  const queue = new Queue(`rigproof-${programVersion()}-folders`, { connection: { host, port: Number(port) } });
  try {
    const begin = performance.now();
    const producer = startBuilt(program, batchArgs('queued', '--queue', redis.url), folder);
    const startWorker = () =>
      startBuilt(program, ['work', '--queue', redis.url, '--workers', '1', '--lost-after', '3', '--json'], folder);
    let steady = startWorker();
    let midJob = 0;
    for (let i = 0; i < kills; i++) {
      const victim = steady;
      steady = startWorker();
      const before = recordsIn('queued');
      while (recordsIn('queued') < before + 3 && producer.child.exitCode === null) await wait(20);
      if ((await queue.getActiveCount()) > 0) midJob++;
      victim.child.kill('SIGKILL');
      await victim.ended;
    }
    const { code, stdout } = await producer.ended;
    steady.child.kill('SIGINT');
    await steady.ended;
    const { counts } = JSON.parse(stdout) as BatchCommandResult;
    check(
      'the queue is empty at the end',
      (await queue.getJobCountByTypes('waiting', 'active', 'delayed', 'failed')) === 0,
    );
    check(
      `every job is done though ${kills} workers were killed, ${midJob} with clips in hand`,
      (code ?? 9) <= 1 && counts.missing + counts.unreadable === 0 && midJob === kills,
      `${JSON.stringify(counts)} in ${((performance.now() - begin) / 1000).toFixed(1)} s`,
    );
    checkSame('the queue gives the bytes of one worker', 'queued', reference);
  } finally {
    await queue.close();
    await redis.stop();
  }
}

/** Largest resident set of a process, MB, as Linux counts it. */
async function peakOf(clips: string, out: string, workers: string): Promise<{ peak: number; seconds: number }> {
  const begin = performance.now();
  const { child, ended } = startBuilt(
    program,
    ['batch', clips, '--character', ...RIGS, '-o', out, '--quiet', '--workers', workers],
    folder,
  );
  let peak = 0;
  const look = setInterval(() => {
    try {
      peak = Math.max(peak, Number(/VmHWM:\s+(\d+)/.exec(readFileSync(`/proc/${child.pid}/status`, 'utf8'))?.[1] ?? 0));
    } catch {
      // It has ended.
    }
  }, 20);
  const { code } = await ended;
  clearInterval(look);
  if ((code ?? 9) > 1) throw new Error(`The batch ended with ${code}.`);
  return { peak: peak / 1024, seconds: (performance.now() - begin) / 1000 };
}

async function checkMemory(): Promise<void> {
  const names = readdirSync(LIBRARY).sort();
  const tenth = at('tenth');
  mkdirSync(tenth);
  // Every tenth clip, beginning with the first: three of 23.
  for (const name of names.filter((_, i) => i % 10 === 0)) cpSync(join(LIBRARY, name), join(tenth, name));
  for (const workers of ['1', '2']) {
    const part = await peakOf(tenth, `memory-tenth-${workers}`, workers);
    const whole = await peakOf(LIBRARY, `memory-whole-${workers}`, workers);
    const growth = whole.peak / part.peak - 1;
    const figures = `${part.peak.toFixed(0)} MB for ${readdirSync(tenth).length} clips (${part.seconds.toFixed(0)} s), ${whole.peak.toFixed(0)} MB for ${names.length} (${whole.seconds.toFixed(0)} s), ${(growth * 100).toFixed(0)} % more`;
    check(`memory does not grow with the library, ${workers} workers`, growth < MEMORY_GROWTH, figures);
    if (workers === '2')
      check('the whole library needs at most 300 MB', whole.peak <= 300, `${whole.peak.toFixed(0)} MB`);
  }
}

const which = process.argv[2] ?? 'all';
const kills = Number(process.argv[3] ?? 10);
const wants = (name: string) => which === name || which === 'all';
try {
  if (!existsSync(LIBRARY)) throw new Error('This needs ../shared/data beside the project.');
  const reference = wants('same') || wants('kill') || wants('queue') ? await makeReference() : {};
  if (wants('same')) await checkEqual(reference);
  if (wants('kill')) await checkKilled(reference, kills);
  if (wants('queue')) await checkQueue(reference, kills);
  if (wants('memory')) await checkMemory();
} finally {
  rmSync(folder, { recursive: true, force: true });
}
console.log(faults === 0 ? 'Everything is as it has to be.' : `${faults} faults.`);
process.exitCode = faults === 0 ? 0 : 1;
