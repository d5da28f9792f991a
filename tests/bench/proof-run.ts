/** Bundled and run by `proof.bench.ts`. */
import { existsSync } from 'node:fs';
import { createProofMemory } from '../../src/proof/memory.ts';
import { prove } from '../../src/proof/prove.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import { framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { placeSkin } from '../../src/skeleton/normalise.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';
import { realPlan } from '../support/real-job.ts';
import { HAS_RIGS } from '../support/rigs.ts';
import { buildWalker } from '../support/walker.ts';
import { machine, measure, type Row, table } from './measure.ts';

const FOLDER = new URL('../../../shared/data/bvh/', import.meta.url);
const JOBS: readonly (readonly [clip: string, rig: string])[] = [
  ['figure8_walk.bvh', 'man_casual.glb'],
  ['figure8_walk.bvh', 'knight.glb'],
];

/** Rows beside the first of them, a frame. */
async function compare(title: string, frames: number, rows: readonly Row[]): Promise<string> {
  const measured = await measure(rows, 21, 10);
  const base = measured[0]!;
  return `${title}\n${table(
    ['row', 'µs a frame: median (min, sd)', `over ${base.name}, of minima`],
    measured.map(({ name, median, min, sd }) => {
      const us = (ms: number) => ((ms * 1000) / frames).toFixed(2);
      return [
        name,
        `${us(median)} (${us(min)}, ${us(sd)})`,
        `${(median / base.median).toFixed(1)}, ${(min / base.min).toFixed(1)}`,
      ];
    }),
  )}`;
}

/** Two lengths of one walk: linear in frames means that the last column stays. */
async function walker(cycles: number): Promise<string> {
  const { skeleton, clip, roles, contacts } = buildWalker({ cycles, fps: 120 });
  const scratch = restLocalPose(skeleton);
  const pose = createWorldPose(skeleton.jointCount);
  const figure = { skeleton, clip, roles };
  return compare(`walker: ${clip.frameCount} frames of ${skeleton.jointCount} joints`, clip.frameCount, [
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
  ]);
}

/** A real clip on a real rig: the first proof of both, and one whose source and character were judged before. */
async function real(clipName: string, rigName: string): Promise<string> {
  const { character, plan, clip: sourceClip, placement } = realPlan(clipName, rigName);
  const { source, target } = plan;
  const clip = retargetClip(plan, sourceClip);
  const skins = character.skins.map((skin) => placeSkin(skin, placement));
  const performer = { skeleton: source.skeleton, clip: sourceClip, roles: source.body.roles };
  const figure = { skeleton: target.skeleton, clip, roles: target.body.roles, skins };
  const memory = createProofMemory();
  const { frameCount, jointCount } = clip;
  return compare(`${clipName} onto ${rigName}: ${frameCount} frames of ${jointCount} joints`, frameCount, [
    { name: 'transfer', work: () => retargetClip(plan, sourceClip).rotations[7]! },
    { name: 'proof, nothing known', work: () => prove(figure, performer).counts.pass },
    { name: 'proof, source and character known', work: () => prove(figure, performer, {}, memory).counts.pass },
  ]);
}

const parts = [await walker(4), await walker(32)];
if (HAS_RIGS && existsSync(FOLDER)) for (const job of JOBS) parts.push(await real(...job));
process.stdout.write(`proving, one thread, bundled; ${machine()}\n${parts.join('\n\n')}\n`);
