import { once } from 'node:events';
import { mkdirSync } from 'node:fs';
import { basename, join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type { BatchCommandResult } from '../../src/cli/batch.ts';
import { runProgram, startProgram } from '../support/program.ts';
import { scratchFolder } from '../support/scratch.ts';
import { contentOf, makeLibrary, type SampleLibrary } from './library.ts';
import { hasRedis, startRedis } from './redis.ts';

const folder = scratchFolder();

describe('an address of a queue', () => {
  it.each([
    ['where nobody answers', ['work', '--queue', 'redis://127.0.0.1:1'], 3, /QUEUE_CONNECT.*127\.0\.0\.1:1/],
    ['that is none', ['work', '--queue', 'localhost'], 2, /QUEUE_ADDRESS.*localhost/],
  ])('%s is told in one line', async (_, args, expected, words) => {
    const { code, stderr } = await runProgram(args, folder);
    expect(stderr).toMatch(words);
    expect(stderr).not.toMatch(/at .*\.js/);
    expect(code).toBe(expected);
  });
});

describe.skipIf(!hasRedis)('a queue (needs redis-server: apt-get install redis-server)', () => {
  let library: SampleLibrary;
  let redis: Awaited<ReturnType<typeof startRedis>>;
  let reference: Record<string, string>;
  // Paths are given from the folder of the batch; a worker stands somewhere else.
  const elsewhere = join(folder, 'elsewhere');
  const batch = (out: string, ...flags: string[]) => [
    'batch',
    'clips',
    '--character',
    ...library.characters.map((path) => basename(path)),
    '-o',
    out,
    ...flags,
  ];

  beforeAll(async () => {
    redis = await startRedis();
    mkdirSync(elsewhere);
    library = await makeLibrary(folder, 5);
    await runProgram(batch('local', '--workers', '1'), folder);
    reference = contentOf(join(folder, 'local'));
  });
  afterAll(() => redis.stop());

  it('gives the same bytes as one machine, though one of two workers is killed in mid-job', async () => {
    const workArgs = ['work', '--queue', redis.url, '--workers', '1', '--lost-after', '2', '--until-empty'];
    const producer = await startProgram(batch('queued', '--queue', redis.url, '--json'), folder);
    // The first worker takes a clip while it is alone, and dies of it.
    const doomed = await startProgram(workArgs.slice(0, -1), elsewhere);
    await once(doomed.child.stderr!, 'data');
    await new Promise((done) => setTimeout(done, 150));
    doomed.child.kill('SIGKILL');
    const workers = [await startProgram(workArgs, elsewhere), await startProgram(workArgs, folder)];
    const { code, stdout } = await producer.ended;
    const ends = await Promise.all(workers.map(({ ended }) => ended));
    expect((await doomed.ended).code).toBeNull();
    expect(ends.map((end) => end.code)).toEqual([0, 0]);
    expect((JSON.parse(stdout) as BatchCommandResult).counts).toMatchObject({ jobs: 10, missing: 0, unreadable: 2 });
    expect(code).toBe(3);
    expect(contentOf(join(folder, 'queued'))).toEqual(reference);
  });

  it('withdraws at Ctrl-C what nobody has begun', async () => {
    const { child, ended } = await startProgram(batch('withdrawn', '--queue', redis.url), folder);
    await once(child.stderr!, 'data');
    await new Promise((done) => setTimeout(done, 500));
    child.kill('SIGINT');
    const { code, stdout } = await ended;
    expect(code).toBe(130);
    expect(stdout).toContain('The same command goes on from here.');
    // Nothing is left for a worker to do.
    const worker = await runProgram(['work', '--queue', redis.url, '--until-empty', '--json'], folder);
    expect(JSON.parse(worker.stdout)).toMatchObject({ tasks: 0 });
  });
});
