import { alignFigure } from '../../src/alignment/alignment.ts';
import { restAnkleHeights } from '../../src/alignment/soles.ts';
import { detectContacts } from '../../src/contact/detect.ts';
import { createContactDetector } from '../../src/contact/live.ts';
import { legLengthOf, soleOf, soleOfMotion } from '../../src/contact/measure-soles.ts';
import { plantFeet } from '../../src/contact/plants.ts';
import { footTrajectories } from '../../src/contact/trajectories.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import { createRetargeter, createTargetClip } from '../../src/retarget/retargeter.ts';
import { blockFigure } from '../support/block-figure.ts';
import { bodyOf, figure } from '../support/figure.ts';
import { truthClip } from '../support/truth-clip.ts';
import { machine, measure, table } from './measure.ts';

const FOLDER = new URL('../../../shared/data/bvh/', import.meta.url);
const JOBS: readonly (readonly [clip: string, onto: string, receiver: Actor])[] = [
  ['zup_zombie_walk.bvh', 'a figure with fingers', figure({ fingers: true })],
  ['figure8_walk.bvh', 'a figure with fingers', figure({ fingers: true })],
  ['cmu_indian_long.bvh', 'a figure with fingers', figure({ fingers: true })],
  ['figure8_walk.bvh', 'a figure of blocks, without feet', blockFigure()],
];

async function compare(file: string, onto: string, receiver: Actor): Promise<string> {
  const { skeleton, clip, roles, fps } = truthClip(FOLDER, file);
  const body = bodyOf(skeleton, roles, 1.7);
  const performer = { skeleton, body, alignment: alignFigure(skeleton, body, restAnkleHeights(skeleton, roles, [])) };
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
      name: 'transfer: rotations, four limbs, in TypeScript',
      work: () => {
        for (let f = 0; f < frames; f++) retargeter.frame(clip, f, out, f);
        return out.rotations[7]!;
      },
    },
    { name: 'the same by WebAssembly', work: () => retargetClip(plan, clip).rotations[7]! },
    {
      name: 'trajectories, contacts and plants',
      work: () => {
        const points = footTrajectories(skeleton, clip, sole);
        const found = detectContacts({ ...points, fps, scale });
        return plantFeet(plan, clip, found, receiverSole, { soles: sole, points }).targets.positions[7]!;
      },
    },
    { name: '  foot trajectories', work: () => footTrajectories(skeleton, clip, sole).left.heel[0]! },
    { name: '  detectContacts', work: () => detectContacts({ ...feet, fps, scale }).left.foot.length },
    {
      name: '  plantFeet (with the legs once retargeted)',
      work: () => plantFeet(plan, clip, contacts, receiverSole, { soles: sole, points: feet }).targets.positions[7]!,
    },
    { name: 'soles of the motion', work: () => soleOfMotion(skeleton, clip, roles).left.length },
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
  const base = rows[0]!;
  return `${file} onto ${onto}: ${frames} frames, ${skeleton.jointCount} joints onto ${plan.target.skeleton.jointCount}\n${table(
    ['', 'µs a frame: median (min, sd)', 'over transfer: median, min'],
    rows.map(({ name, median, min, sd }) => {
      const us = (ms: number) => ((ms * 1000) / frames).toFixed(2);
      return [
        name,
        `${us(median)} (${us(min)}, ${us(sd)})`,
        `${(median / base.median).toFixed(2)}, ${(min / base.min).toFixed(2)}`,
      ];
    }),
  )}`;
}

const parts: string[] = [];
for (const [clip, onto, receiver] of JOBS) parts.push(await compare(clip, onto, receiver));
process.stdout.write(`contact, one thread, bundled; ${machine()}\n${parts.join('\n\n')}\n`);
