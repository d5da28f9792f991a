/**
 * Contact detection and plants beside plain rotation transfer of the same clips, and the live detector.
 * Prints a table; run it alone with `npx vitest bench --run tests/bench/contact.bench.ts`.
 */
import { existsSync } from 'node:fs';
import { bench } from 'vitest';
import { alignFigure } from '../../src/alignment/alignment.ts';
import { restAnkleHeights } from '../../src/alignment/soles.ts';
import { detectContacts } from '../../src/contact/detect.ts';
import { createContactDetector } from '../../src/contact/live.ts';
import { plantFeet } from '../../src/contact/plants.ts';
import { footTrajectories, legLengthOf, soleOf, soleOfMotion } from '../../src/contact/sole.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { createRetargeter, createTargetClip } from '../../src/retarget/retargeter.ts';
import { bodyOf, figure } from '../support/figure.ts';
import { truthClip } from '../support/truth-clip.ts';
import { machine, measure, table } from './measure.ts';

const FOLDER = new URL('../../../shared/data/bvh/', import.meta.url);
const CLIPS = ['zup_zombie_walk.bvh', 'figure8_walk.bvh', 'cmu_indian_long.bvh'];

async function compare(file: string): Promise<void> {
  const { skeleton, clip, roles, fps } = truthClip(FOLDER, file);
  const body = bodyOf(skeleton, roles, 1.7);
  const performer = { skeleton, body, alignment: alignFigure(skeleton, body, restAnkleHeights(skeleton, roles, [])) };
  const receiver = figure({ fingers: true });
  const plan = compileRetarget(performer, receiver);
  const retargeter = createRetargeter(plan);
  const out = createTargetClip(plan, clip.name, clip.frameCount, clip.frameDuration);
  const sole = soleOfMotion(skeleton, clip, roles);
  const scale = legLengthOf(skeleton, roles, sole);
  const feet = footTrajectories(skeleton, clip, sole);
  const contacts = detectContacts({ ...feet, fps, scale });
  const receiverSole = soleOf(receiver.skeleton, receiver.body.roles);
  const frame = new Float64Array(12);
  const frames = clip.frameCount;
  const rows = await measure([
    {
      name: 'rotation transfer (four limbs solved)',
      work: () => {
        for (let f = 0; f < frames; f++) retargeter.frame(clip, f, out, f);
        return out.rotations[7]!;
      },
    },
    { name: 'foot trajectories', work: () => footTrajectories(skeleton, clip, sole).left.heel[0]! },
    { name: 'detectContacts', work: () => detectContacts({ ...feet, fps, scale }).left.foot.length },
    {
      name: 'plantFeet (with one plain retarget)',
      work: () => plantFeet(plan, clip, contacts, receiverSole, sole).targets.positions[7]!,
    },
    {
      name: 'live detector',
      work: () => {
        const detector = createContactDetector({ fps, legLength: scale });
        let sum = 0;
        for (let f = 0; f < frames; f++) {
          for (let k = 0; k < 3; k++) {
            frame[k] = feet.left.heel[f * 3 + k]!;
            frame[3 + k] = feet.left.ball[f * 3 + k]!;
            frame[6 + k] = feet.right.heel[f * 3 + k]!;
            frame[9 + k] = feet.right.ball[f * 3 + k]!;
          }
          sum += detector.push(frame)[0]!;
        }
        return sum;
      },
    },
  ]);
  const base = rows[0]!.median;
  process.stdout.write(
    `\n${file}: ${frames} frames of ${skeleton.jointCount} joints onto ${plan.target.skeleton.jointCount}; ${machine()}\n${table(
      ['', 'µs a frame', 'sd', 'over transfer'],
      rows.map((row) => [
        row.name,
        ((row.median * 1000) / frames).toFixed(2),
        ((row.sd * 1000) / frames).toFixed(2),
        (row.median / base).toFixed(2),
      ]),
    )}\n`,
  );
}

bench.skipIf(!existsSync(FOLDER))(
  'contact beside rotation transfer (needs ../shared/data/bvh)',
  async () => {
    for (const file of CLIPS) await compare(file);
  },
  { iterations: 1, time: 0, warmupIterations: 0, warmupTime: 0 },
);
