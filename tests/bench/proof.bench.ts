/**
 * The proof beside forward kinematics and beside the transfer of the same frames. Prints a table; run it alone with
 * `npx vitest bench --run tests/bench/proof.bench.ts`. Bundled, for the reason that `retarget.bench.ts` gives.
 */
import { execFile } from 'node:child_process';
import { promisify } from 'node:util';
import { bench } from 'vitest';
import { bundle } from '../support/bundle.ts';

bench(
  'proof beside transfer',
  async () => {
    const file = await bundle('bench', 'proof-run');
    const { stdout } = await promisify(execFile)(process.execPath, [file]);
    process.stdout.write(`\n${stdout}\n`);
  },
  { iterations: 1, time: 0, warmupIterations: 0, warmupTime: 0 },
);
