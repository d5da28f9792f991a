/**
 * Writing an animation onto a rig of 49 joints: against @gltf-transform building and writing the same one, and with key
 * reduction. Prints a table; run it alone with `npx vitest bench --run tests/bench/write.bench.ts`.
 *
 * Ours ends with a file in pieces, as one call of the system writes them; a row shows it copied into one array too.
 *
 * It is bundled first and run by Node alone: a test runner turns each imported name into a property look-up.
 */
import { execFile } from 'node:child_process';
import { promisify } from 'node:util';
import { bench } from 'vitest';
import { bundle } from '../support/bundle.ts';

bench(
  'writing beside @gltf-transform',
  async () => {
    const file = await bundle('bench', 'write-run');
    const { stdout } = await promisify(execFile)(process.execPath, [file]);
    process.stdout.write(`\n${stdout}\n`);
  },
  { iterations: 1, time: 0, warmupIterations: 0, warmupTime: 0 },
);
