import { mkdtempSync, readFileSync } from 'node:fs';
import { rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, describe, expect, it } from 'vitest';
import { openPool } from '../../src/batch/pool.ts';

const folder = mkdtempSync(join(tmpdir(), 'rigproof-pool-'));
const pool = openPool<{ tally: string; deaths: number }, number>({
  workers: 1,
  program: new URL('./dying-worker.mjs', import.meta.url).href,
});
afterAll(async () => {
  await pool.close();
  await rm(folder, { recursive: true, force: true });
});

describe('a pool of workers', () => {
  it('gives a task whose worker died to a new one', async () => {
    expect(await pool.run({ tally: join(folder, 'twice'), deaths: 2 })).toBe(3);
  });

  it('gives a task up when the third worker dies of it, and goes on with others', async () => {
    const tally = join(folder, 'always');
    await expect(pool.run({ tally, deaths: Number.POSITIVE_INFINITY })).rejects.toMatchObject({
      code: 'BATCH_WORKER_LOST',
      message: expect.stringContaining('3 times'),
    });
    expect(readFileSync(tally, 'utf8')).toHaveLength(3);
    expect(await pool.run({ tally: join(folder, 'next'), deaths: 0 })).toBe(1);
  });

  // Node 20 ends the whole process (an assertion) where a thread is ended in the midst of loading a module.
  it('ends no worker that is still loading its program', async () => {
    const tally = join(folder, 'loaded');
    process.env.RIGPROOF_TEST_TALLY = tally;
    const idle = openPool({ workers: 2, program: new URL('./slow-worker.mjs', import.meta.url).href });
    await idle.close();
    expect(readFileSync(tally, 'utf8')).toBe('xx');
  });
});
