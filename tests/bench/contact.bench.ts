/**
 * Contact detection and plants beside the transfer of the same clips (rotations and four limbs), and the live detector.
 * Prints a table; run it alone with `npx vitest bench --run tests/bench/contact.bench.ts`.
 *
 * Bundled first, as retarget.bench.ts is: in a test runner the transfer takes 1.7 times as long.
 */
import { execFile } from 'node:child_process';
import { existsSync } from 'node:fs';
import { promisify } from 'node:util';
import { bench } from 'vitest';
import { bundle } from '../support/bundle.ts';

bench.skipIf(!existsSync(new URL('../../../shared/data/bvh/', import.meta.url)))(
  'contact beside rotation transfer (needs ../shared/data/bvh)',
  async () => {
    const file = await bundle('bench', 'contact-run');
    const { stdout } = await promisify(execFile)(process.execPath, [file]);
    process.stdout.write(`\n${stdout}\n`);
  },
  { iterations: 1, time: 0, warmupIterations: 0, warmupTime: 0 },
);
