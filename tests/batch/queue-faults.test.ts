import { existsSync, renameSync } from 'node:fs';
import { join } from 'node:path';
import { setTimeout as wait } from 'node:timers/promises';
import { Queue } from 'bullmq';
import { beforeAll, describe, expect, it } from 'vitest';
import { listClips } from '../../src/batch/clip-list.ts';
import { sharedFolders } from '../../src/batch/exchange.ts';
import type { JobRecord } from '../../src/batch/job.ts';
import { planBatch } from '../../src/batch/plan.ts';
import { queueRunner } from '../../src/batch/queue.ts';
import { tasksOf } from '../../src/batch/run.ts';
import { BATCH_DEFAULTS } from '../../src/batch/settings.ts';
import type { BatchCommandResult } from '../../src/cli/batch.ts';
import { programVersion } from '../../src/cli/batch-options.ts';
import { RigproofError } from '../../src/errors.ts';
import { runProgram, startProgram } from '../support/program.ts';
import { scratchFolder } from '../support/scratch.ts';
import { contentOf, makeLibrary, type SampleLibrary } from './library.ts';
import { hasRedis, startRedis } from './redis.ts';

const folder = scratchFolder();

describe.skipIf(!hasRedis)('a queue in trouble (needs redis-server: apt-get install redis-server)', () => {
  let library: SampleLibrary;
  let reference: Record<string, string>;
  const batchArgs = (out: string, ...flags: string[]) => [
    'batch',
    library.clips,
    '--character',
    ...library.characters,
    '-o',
    out,
    '--json',
    ...flags,
  ];
  const countsIn = (stdout: string) => (JSON.parse(stdout) as BatchCommandResult).counts;
  const openQueue = (port: number) =>
    new Queue(`rigproof-${programVersion()}-folders`, { connection: { host: '127.0.0.1', port } });

  /** Tasks as a batch hands them to its runner. */
  async function plannedTasks(out: string) {
    const settings = BATCH_DEFAULTS;
    const clips = await listClips([library.clips]);
    const plan = await planBatch({ clips, characters: library.characters, settings, version: programVersion() });
    return tasksOf(plan.jobs, plan, settings, join(folder, out));
  }

  beforeAll(async () => {
    library = await makeLibrary(folder, 5);
    await runProgram(batchArgs('local', '--workers', '1'), folder);
    reference = contentOf(join(folder, 'local'));
  });

  it('tries again what fails for the moment, after pauses that grow', async () => {
    const redis = await startRedis();
    const producer = await startProgram(batchArgs('tried', '--queue', redis.url), folder);
    const queue = openQueue(redis.port);
    while ((await queue.getWaitingCount()) < 5) await wait(20);
    const clips = ['round.bvh', 'dances/turn.bvh'].map((name) => join(library.clips, name));
    for (const clip of clips) renameSync(clip, `${clip}.away`);

    const worker = await startProgram(['work', '--queue', redis.url, '--workers', '2'], folder);
    const failures: { [clip: string]: number[] } = { 'round.bvh': [], 'dances/turn.bvh': [] };
    worker.child.stderr!.on('data', (text: string) => {
      for (const [, name] of text.matchAll(/^trouble {2}([^:]+): .*cannot be read/gm)) {
        failures[name!]!.push(performance.now());
        // One comes back in time, the other one does not.
        if (name === 'round.bvh' && failures[name]!.length === 2) renameSync(`${clips[0]}.away`, clips[0]!);
      }
    });
    const { code, stdout, stderr } = await producer.ended;
    worker.child.kill('SIGINT');
    await worker.ended;
    await queue.close();
    await redis.stop();
    renameSync(`${clips[1]}.away`, clips[1]!);

    expect(countsIn(stdout)).toMatchObject({ jobs: 10, missing: 0, unreadable: 4 });
    expect(code).toBe(3);
    expect(stderr).toMatch(/dances\/turn\.bvh {2}FILE_OPEN .*cannot be read/);
    expect(failures['round.bvh']).toHaveLength(2);
    // The fourth try is the last, and is told in the records.
    const times = failures['dances/turn.bvh']!;
    expect(times).toHaveLength(3);
    // A second, then two: the message about a failure takes a moment, its pause begins a little earlier.
    expect(times[1]! - times[0]!).toBeGreaterThan(900);
    expect(times[2]! - times[1]!).toBeGreaterThan(1900);
    expect(existsSync(join(folder, 'tried/.rigproof/jobs/bodge/dances/turn.json'))).toBe(false);
  });

  it('lets a worker end at Ctrl-C with what it has in hand, and no more', async () => {
    const redis = await startRedis();
    const queue = openQueue(redis.port);
    const producer = await startProgram(batchArgs('stopped', '--queue', redis.url), folder);
    while ((await queue.getWaitingCount()) < 5) await wait(20);
    const worker = await startProgram(['work', '--queue', redis.url, '--workers', '1'], folder);
    while ((await queue.getActiveCount()) === 0) await wait(5);
    worker.child.kill('SIGINT');
    const { code, stdout, stderr } = await worker.ended;
    expect(stderr).toContain('Finishing what is in hand');
    expect(stderr).not.toMatch(/trouble|Error/);
    expect([code, stdout]).toEqual([0, '1 clip done.\n']);
    expect([await queue.getActiveCount(), await queue.getWaitingCount()]).toEqual([0, 4]);
    await queue.close();

    await runProgram(['work', '--queue', redis.url, '--until-empty'], folder);
    expect((await producer.ended).code).toBe(3);
    await redis.stop();
    expect(contentOf(join(folder, 'stopped'))).toEqual(reference);
  });

  it('that goes away is told by a worker in one error, without a stack', async () => {
    const redis = await startRedis();
    const worker = await startProgram(['work', '--queue', redis.url, '--lost-after', '1'], folder);
    await new Promise((ready) => worker.child.stderr!.once('data', ready));
    await redis.stop();
    const { code, stdout, stderr } = await worker.ended;
    expect(stderr).toMatch(/^QUEUE_LOST .*127\.0\.0\.1:\d+.*\n {2}.*Start the server again/m);
    expect(stderr.match(/QUEUE_LOST/g)).toHaveLength(1);
    expect(stderr).not.toMatch(/^\s+at /m);
    expect([code, stdout]).toEqual([3, '']);
  });

  it('that goes away is told by the batch too', async () => {
    const redis = await startRedis();
    const runner = queueRunner({ url: redis.url, version: programVersion(), lostAfter: 1 }, sharedFolders());
    const run = runner(await plannedTasks('lost'), () => {});
    const end = expect(run).rejects.toMatchObject({ code: 'QUEUE_LOST', hint: expect.stringContaining('kept') });
    const queue = openQueue(redis.port);
    while ((await queue.getWaitingCount()) < 5) await wait(20);
    await queue.disconnect();
    await redis.stop();
    await end;
  });

  it('that has forgotten everything gets its tasks again', async () => {
    const first = await startRedis();
    const tasks = await plannedTasks('forgotten');
    const records: JobRecord[] = [];
    const runner = queueRunner({ url: first.url, version: programVersion() }, sharedFolders());
    const run = runner(tasks, (_, done) => void records.push(...done));
    const queue = openQueue(first.port);
    while ((await queue.getWaitingCount()) < 5) await wait(20);
    await queue.disconnect();
    await first.stop();
    const second = await startRedis(first.port);
    const worker = await startProgram(['work', '--queue', second.url, '--workers', '1'], folder);
    await run;
    worker.child.kill('SIGINT');
    expect((await worker.ended).code).toBe(0);
    await second.stop();
    expect(records.filter(({ status }) => status === 'done')).toHaveLength(8);
    expect(records).toHaveLength(10);
    // The settings were put together in another way than on the command line, which names jobs by another key.
    const filesOf = (content: Record<string, string>) =>
      Object.entries(content).filter(([name]) => /^(bodge|pim|sheets)\//.test(name));
    expect(filesOf(contentOf(join(folder, 'forgotten')))).toEqual(filesOf(reference));
  });

  describe('whose store does not answer when results are brought in', () => {
    /** Folders that machines share, but where results are cannot be reached from when the first one is done. */
    function awayAfterHandIn(asksInVain: number) {
      const shared = sharedFolders();
      let asked = 0;
      const collect: typeof shared.collect = async (job, out) => {
        const record = await shared.collect(job, out);
        if (record !== null && asked++ < asksInVain) throw new RigproofError('STORE_CONNECT', 'Nobody answers.');
        return record;
      };
      return { ...shared, collect };
    }
    async function runWith(exchange: ReturnType<typeof awayAfterHandIn>, out: string, lostAfter: number) {
      const redis = await startRedis();
      const records: JobRecord[] = [];
      const runner = queueRunner({ url: redis.url, version: programVersion(), lostAfter }, exchange);
      const worker = await startProgram(['work', '--queue', redis.url, '--workers', '1'], folder);
      const fault = await runner(await plannedTasks(out), (_, done) => void records.push(...done)).then(
        () => null,
        (error) => error as RigproofError,
      );
      worker.child.kill('SIGINT');
      await worker.ended;
      await redis.stop();
      return { records, fault };
    }

    it('asks again, and blames no clip for it', async () => {
      const { records, fault } = await runWith(awayAfterHandIn(6), 'store-back', 20);
      expect(fault).toBeNull();
      expect(records.filter(({ status }) => status === 'done')).toHaveLength(8);
      expect(records).toHaveLength(10);
    });

    it('ends with one error where it stays away, and goes on from there later', async () => {
      const { fault } = await runWith(awayAfterHandIn(Number.POSITIVE_INFINITY), 'store-gone', 1);
      expect(fault).toMatchObject({ code: 'STORE_CONNECT' });
      const { records } = await runWith(awayAfterHandIn(0), 'store-gone', 20);
      expect(records.filter(({ status }) => status === 'done')).toHaveLength(8);
    });
  });
});
