import { mkdirSync, readdirSync, writeFileSync } from 'node:fs';
import { rm } from 'node:fs/promises';
import { join } from 'node:path';
import { setTimeout as wait } from 'node:timers/promises';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { openStore } from '../../src/batch/store/open-store.ts';
import type { BatchCommandResult } from '../../src/cli/batch.ts';
import { runProgram, startProgram } from '../support/program.ts';
import { type S3Server, startS3 } from '../support/s3-server.ts';
import { scratchFolder } from '../support/scratch.ts';
import { contentOf, makeLibrary, type SampleLibrary } from './library.ts';
import { hasRedis, startRedis } from './redis.ts';

const folder = scratchFolder();
const KEY = { accessKeyId: 'TESTKEY', secretAccessKey: 'a secret/with+signs=' };
let s3: S3Server;
let environment: NodeJS.ProcessEnv;

beforeAll(async () => {
  s3 = await startS3(KEY, ['motion']);
  environment = {
    AWS_ENDPOINT_URL: s3.endpoint,
    AWS_ACCESS_KEY_ID: KEY.accessKeyId,
    AWS_SECRET_ACCESS_KEY: KEY.secretAccessKey,
    AWS_REGION: 'eu-north-1',
    AWS_SESSION_TOKEN: undefined,
  };
});
afterAll(() => s3.stop());

const bytesOf = (text: string) => new TextEncoder().encode(text);
const textOf = (bytes: Uint8Array | null) => bytes && new TextDecoder().decode(bytes);

describe.each([
  ['a folder', () => join(folder, 'shared')],
  ['an object store', () => 's3://motion/kept/here/'],
])('%s as a store', (_, address) => {
  it('gives back what was written, under any name, and null for what is not there', async () => {
    const store = await openStore(address(), environment);
    for (const name of ['a.glb', "dances/salsa +1 (100 %) it's #2!*.glb", '.rigproof/jobs/tänze/ß.json']) {
      expect([name, await store.read(name), await store.size(name)]).toEqual([name, null, null]);
      await store.write(name, bytesOf(`first ${name}`));
      await store.write(name, bytesOf(name));
      expect([textOf(await store.read(name)), await store.size(name)]).toEqual([name, bytesOf(name).length]);
    }
    await store.write('empty', new Uint8Array());
    expect([await store.read('empty').then((b) => b?.length), await store.size('empty')]).toEqual([0, 0]);
  });

  it('creates only what is not there', async () => {
    const store = await openStore(address(), environment);
    await store.create('once', bytesOf('one'));
    await store.create('once', bytesOf('two'));
    expect(textOf(await store.read('once'))).toBe('one');
  });

  it('has one id, whoever opens it, and another one elsewhere', async () => {
    const ids = await Promise.all([1, 2, 3].map(() => openStore(address(), environment).then(({ id }) => id)));
    expect(new Set(ids).size).toBe(1);
    // Nor do those that find none, all at the same time, disagree.
    for (let i = 0; i < 20; i++) {
      const fresh = await Promise.all([1, 2, 3, 4].map(() => openStore(`${address()}/new ${i}`, environment)));
      expect(new Set(fresh.map(({ id }) => id)).size).toBe(1);
    }
    expect((await openStore(`${address()}/below`, environment)).id).not.toBe(ids[0]);
  });
});

describe('an object store', () => {
  it.each([
    ['is busy', 503],
    ['asks for fewer requests', 429],
    ['breaks the connection', 0],
  ])('that %s for a moment is asked again', async (_, status) => {
    const store = await openStore('s3://motion/patient', environment);
    s3.failNext(3, status);
    await store.write(`after ${status}`, bytesOf('written'));
    s3.failNext(2, status);
    expect(textOf(await store.read(`after ${status}`))).toBe('written');
  });

  it('that says that another one is writing is given the time for it', async () => {
    const store = await openStore('s3://motion/patient', environment);
    s3.failNext(1, 409);
    const creating = store.create('contested', bytesOf('mine'));
    await wait(100);
    await openStore('s3://motion/patient', environment).then((other) =>
      other.write('contested', bytesOf('of another')),
    );
    await creating;
    expect(textOf(await store.read('contested'))).toBe('of another');
  });

  it('that knows no conditional writes gets its id all the same, that of who writes last', async () => {
    const marker = 'plain/.rigproof/store.json';
    const objects = s3.objects('motion');
    s3.knowsConditions = false;
    try {
      const opening = openStore('s3://motion/plain', environment);
      while (!objects.has(marker)) await wait(1);
      // Another machine had found none either.
      await wait(100);
      const own = JSON.parse(objects.get(marker)!.toString()) as { id: string };
      objects.set(marker, Buffer.from(JSON.stringify({ ...own, id: 'of another' })));
      expect((await opening).id).toBe('of another');
      // What it does not know is asked once, not as of one that is busy.
      expect(s3.requests.filter((line) => line === `PUT motion/${marker}`)).toHaveLength(2);
      await (await opening).create('.rigproof/store.json', bytesOf('a third'));
      expect((await openStore('s3://motion/plain', environment)).id).toBe('of another');
    } finally {
      s3.knowsConditions = true;
    }
  });

  it('that stays busy is told', async () => {
    const store = await openStore('s3://motion/busy', environment);
    s3.failNext(5, 503);
    await expect(store.read('x')).rejects.toMatchObject({
      code: 'STORE_FAULT',
      message: expect.stringMatching(/SlowDown/),
    });
  });
});

describe('a store that cannot be used', () => {
  it.each([
    ['without its bucket', 's3://elsewhere/x', {}, 3, /^STORE_BUCKET .*"elsewhere".*\n.*make it first/],
    [
      'with a wrong secret',
      's3://motion/x',
      { AWS_SECRET_ACCESS_KEY: 'no' },
      3,
      /^STORE_DENIED .*SignatureDoesNotMatch.*\n.*AWS_SECRET/,
    ],
    [
      'with an unknown key',
      's3://motion/x',
      { AWS_ACCESS_KEY_ID: 'NO' },
      3,
      /^STORE_DENIED .*InvalidAccessKeyId.*\n.*AWS_ACCESS_KEY_ID/,
    ],
    [
      'where nobody answers',
      's3://motion/x',
      { AWS_ENDPOINT_URL: 'http://127.0.0.1:1' },
      3,
      /^STORE_CONNECT .*127\.0\.0\.1:1 \(.*\n.*AWS_ENDPOINT_URL/,
    ],
    ['without a key', 's3://motion/x', { AWS_ACCESS_KEY_ID: '' }, 2, /^STORE_KEY .*AWS_ACCESS_KEY_ID.*\n/],
    [
      'with an endpoint that is none',
      's3://motion/x',
      { AWS_ENDPOINT_URL: 'localhost' },
      2,
      /^STORE_ADDRESS .*localhost.*\n/,
    ],
    ['of an unknown kind', 'ftp://motion/x', {}, 2, /^STORE_ADDRESS .*ftp:.*\n.*s3:/],
    ['without a bucket in its address', 's3://', {}, 2, /^STORE_ADDRESS /],
  ])('%s is told in one line with what to do', async (_, address, changed, expected, words) => {
    const args = ['work', '--queue', 'redis://127.0.0.1:1', '--store', address];
    const { code, stdout, stderr } = await runProgram(args, folder, { ...environment, ...changed });
    expect(stderr).toMatch(words);
    expect(stderr.trimEnd().split('\n')).toHaveLength(2);
    expect([code, stdout]).toEqual([expected, '']);
  });

  it('is not opened without a queue', async () => {
    writeFileSync(join(folder, 'any.bvh'), '');
    const args = ['batch', 'any.bvh', '--character', 'any.glb', '-o', 'none', '--store', 's3://motion/x'];
    const { code, stderr } = await runProgram(args, folder, environment);
    expect([code, stderr]).toEqual([2, expect.stringMatching(/^STORE_NO_QUEUE/)]);
  });
});

describe.skipIf(!hasRedis)(
  'machines that share a store only (needs redis-server: apt-get install redis-server)',
  () => {
    let library: SampleLibrary;
    let redis: Awaited<ReturnType<typeof startRedis>>;
    let reference: Record<string, string>;
    let packed: Record<string, string>;
    let machines = 0;

    /** A working folder and a folder for temporary files that no other process has. */
    function machine(): { cwd: string; environment: NodeJS.ProcessEnv } {
      const cwd = join(folder, `machine-${++machines}`);
      mkdirSync(join(cwd, 'tmp'), { recursive: true });
      return { cwd, environment: { ...environment, TMPDIR: join(cwd, 'tmp') } };
    }
    const startWorker = (store: string, ...flags: string[]) => {
      const { cwd, environment } = machine();
      const args = ['work', '--queue', redis.url, '--store', store, '--workers', '1', '--lost-after', '2', ...flags];
      return startProgram(args, cwd, environment);
    };
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

    beforeAll(async () => {
      redis = await startRedis();
      library = await makeLibrary(folder, 5);
      await runProgram(batchArgs('local', '--workers', '1'), folder);
      await runProgram(batchArgs('local-packed', '--workers', '1', '--pack', '--no-proof'), folder);
      reference = contentOf(join(folder, 'local'));
      packed = contentOf(join(folder, 'local-packed'));
    });
    afterAll(() => redis.stop());

    const recordsIn = (prefix: string) =>
      [...s3.objects('motion').keys()].filter((name) => name.startsWith(`${prefix}/.rigproof/jobs/`)).length;

    it('end with the bytes of one machine, nothing twice and nothing missing, though one is killed in mid-job', async () => {
      const store = 's3://motion/killed';
      const home = machine();
      const producer = await startProgram(
        batchArgs('out', '--queue', redis.url, '--store', store),
        home.cwd,
        home.environment,
      );
      // The first worker is alone, and dies of a clip after the first one.
      const doomed = await startWorker(store);
      while (recordsIn('killed') === 0 && doomed.child.exitCode === null) await wait(5);
      await wait(120);
      doomed.child.kill('SIGKILL');
      const left = 10 - recordsIn('killed');
      expect(left).toBeGreaterThan(0);
      const workers = [await startWorker(store), await startWorker(store)];
      const { code, stdout, stderr } = await producer.ended;
      for (const { child } of workers) child.kill('SIGINT');
      const ends = await Promise.all(workers.map(({ ended }) => ended));
      expect((await doomed.ended).code).toBeNull();
      expect(ends.map((end) => end.code)).toEqual([0, 0]);
      expect([code, stderr]).toEqual([3, expect.stringContaining('10 to do')]);
      expect((JSON.parse(stdout) as BatchCommandResult).counts).toMatchObject({ jobs: 10, missing: 0, unreadable: 2 });
      expect(contentOf(join(home.cwd, 'out'))).toEqual(reference);

      // The store holds the same tree, beside what it was given.
      const own = [...s3.objects('motion').keys()]
        .filter((name) => name.startsWith('killed/') && !/\.rigproof\/(inputs|content|store)/.test(name))
        .map((name) => name.slice('killed/'.length));
      expect(own.sort()).toEqual(Object.keys(reference).sort());
      const puts = s3.requests.filter((line) => line.startsWith('PUT motion/killed/.rigproof/jobs/'));
      expect(puts).toHaveLength(10);
      expect(new Set(puts).size).toBe(10);
      // Workers that ended by themselves leave nothing on their machine.
      for (const { cwd } of [home]) expect(readdirSync(join(cwd, 'tmp'))).toEqual([]);
      for (const number of [machines - 1, machines])
        expect(readdirSync(join(folder, `machine-${number}/tmp`))).toEqual([]);
    });

    it('need no worker for what the store holds already', async () => {
      const home = machine();
      const args = batchArgs('out', '--queue', redis.url, '--store', 's3://motion/killed');
      const { code } = await runProgram(args, home.cwd, home.environment);
      expect(code).toBe(3);
      expect(contentOf(join(home.cwd, 'out'))).toEqual(reference);
    });

    it('share a folder under different paths just as well, packed files included', async () => {
      const home = machine();
      const shared = join(folder, 'farm');
      const producer = await startProgram(
        batchArgs('out', '--queue', redis.url, '--store', shared, '--pack', '--no-proof'),
        home.cwd,
        home.environment,
      );
      // Seen from the worker's folder.
      // Not until it is empty: it may be so for a moment while the batch hands in.
      const worker = await startWorker('../farm');
      expect((await producer.ended).code).toBe(3);
      worker.child.kill('SIGINT');
      expect((await worker.ended).code).toBe(0);
      expect(contentOf(join(home.cwd, 'out'))).toEqual(packed);
      await rm(join(shared, '.rigproof/inputs'), { recursive: true });
      await rm(join(shared, '.rigproof/content'), { recursive: true });
      await rm(join(shared, '.rigproof/store.json'));
      expect(contentOf(shared)).toEqual(packed);
    });

    it('tell what a store does not hold, and go on', async () => {
      const home = machine();
      const store = 's3://motion/robbed';
      const producer = await startProgram(
        batchArgs('out', '--queue', redis.url, '--store', store),
        home.cwd,
        home.environment,
      );
      const content = () =>
        [...s3.objects('motion').keys()].filter((name) => name.startsWith('robbed/.rigproof/content/'));
      // Five clips and two characters.
      while (content().length < 7) await wait(5);
      const clip = content().find((name) => s3.objects('motion').get(name)!.includes('HIERARCHY'))!;
      s3.objects('motion').delete(clip);
      const worker = await startWorker(store);
      const { stdout, stderr } = await producer.ended;
      worker.child.kill('SIGINT');
      await worker.ended;
      expect((JSON.parse(stdout) as BatchCommandResult).counts).toMatchObject({ jobs: 10, missing: 0 });
      expect(stderr).toMatch(/BATCH_WORKER_LOST .*does not hold it whole/);
    });
  },
);
