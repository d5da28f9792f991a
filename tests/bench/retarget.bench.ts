/**
 * Rotation transfer and four limbs a frame, one thread, beside three's SkeletonUtils.retargetClip (rotations only) on the
 * same skeletons and clip. Prints a table; run it alone with `npx vitest bench --run tests/bench/retarget.bench.ts`.
 *
 * It is bundled first and run by Node alone: a test runner turns each imported name into a property look-up, with which the
 * frame loop takes 1.7 times as long.
 */
import { execFile } from 'node:child_process';
import { promisify } from 'node:util';
import { bench } from 'vitest';
import { bundle } from '../support/bundle.ts';

bench(
  "retargeting beside three's SkeletonUtils.retargetClip",
  async () => {
    const file = await bundle('bench', 'retarget-run');
    const { stdout } = await promisify(execFile)(process.execPath, [file]);
    process.stdout.write(`\n${stdout}\n`);
  },
  { iterations: 1, time: 0, warmupIterations: 0, warmupTime: 0 },
);
