/**
 * The proof beside forward kinematics of the same frames, for two lengths of one walk: linear in frames means that the
 * last column stays. Prints a table; run it alone with `npx vitest bench --run tests/bench/proof.bench.ts`.
 */
import { bench } from 'vitest';
import { prove } from '../../src/proof/prove.ts';
import { framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';
import { buildWalker } from '../support/walker.ts';
import { machine, measure, table } from './measure.ts';

async function compare(cycles: number): Promise<void> {
  const { skeleton, clip, roles, contacts } = buildWalker({ cycles, fps: 120 });
  const scratch = restLocalPose(skeleton);
  const pose = createWorldPose(skeleton.jointCount);
  const figure = { skeleton, clip, roles };
  const rows = await measure(
    [
      {
        name: 'forward kinematics',
        work: () => {
          let sum = 0;
          for (let f = 0; f < clip.frameCount; f++) {
            framePose(skeleton, clip, f, scratch, pose);
            sum += pose.positions[pose.positions.length - 1]!;
          }
          return sum;
        },
      },
      { name: 'proof without a source', work: () => prove(figure).counts.pass },
      { name: 'proof with a source', work: () => prove(figure, figure, { contacts }).counts.pass },
    ],
    15,
    8,
  );
  const base = rows[0]!.min;
  process.stdout.write(
    `\n${clip.frameCount} frames of ${skeleton.jointCount} joints; ${machine()}\n${table(
      ['', 'µs a frame', 'sd', 'over kinematics'],
      rows.map((row) => [
        row.name,
        ((row.min * 1000) / clip.frameCount).toFixed(2),
        ((row.sd * 1000) / clip.frameCount).toFixed(2),
        (row.min / base).toFixed(1),
      ]),
    )}\n`,
  );
}

bench(
  'proof beside forward kinematics',
  async () => {
    await compare(4);
    await compare(32);
  },
  { iterations: 1, time: 0, warmupIterations: 0, warmupTime: 0 },
);
