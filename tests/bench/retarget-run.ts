import { existsSync } from 'node:fs';
import {
  AnimationClip,
  Bone,
  QuaternionKeyframeTrack,
  SkinnedMesh,
  Skeleton as ThreeSkeleton,
  VectorKeyframeTrack,
} from 'three';
import * as SkeletonUtils from 'three/examples/jsm/utils/SkeletonUtils.js';
import { createLimbTargets, type LimbTargets } from '../../src/retarget/limb-targets.ts';
import { compileRetarget, type RetargetPlan } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import { createRetargeter, createTargetClip } from '../../src/retarget/retargeter.ts';
import type { Clip } from '../../src/skeleton/clip.ts';
import type { Skeleton } from '../../src/skeleton/skeleton.ts';
import { figure, wander } from '../support/figure.ts';
import { realPlan } from '../support/real-job.ts';
import { HAS_RIGS } from '../support/rigs.ts';
import { machine, measure, table } from './measure.ts';

const FOLDER = new URL('../../../shared/data/bvh/', import.meta.url);
const JOBS: readonly (readonly [clip: string, rig: string])[] = [
  ['zup_zombie_walk.bvh', 'man_casual.glb'],
  ['cmu_walk.bvh', 'man_casual.glb'],
  ['figure8_walk.bvh', 'man_casual.glb'],
  ['figure8_walk.bvh', 'knight.glb'],
];

/** Of each clip: runs that are short beside the time slices of a machine that others use. */
const FRAMES = 400;

interface Job {
  name: string;
  plan: RetargetPlan;
  clip: Clip;
}

function jobs(): Job[] {
  const performer = figure({ fingers: true });
  const synthetic: Job = {
    name: 'seeded figures',
    plan: compileRetarget(performer, figure({ fingers: true, legs: 1.1, rollSeed: 7, scale: 1.05 })),
    clip: wander(performer, FRAMES, 5),
  };
  if (!HAS_RIGS || !existsSync(FOLDER)) return [synthetic];
  const real = JOBS.map(([file, rig]) => {
    const { plan, clip } = realPlan(file, rig);
    // Clips are frame-major: their first frames are a clip.
    return { name: `${file} onto ${rig}`, plan, clip: { ...clip, frameCount: Math.min(clip.frameCount, FRAMES) } };
  });
  return [...real, synthetic];
}

/** A mesh without vertices, bound to the same joints: what three's retargeting takes. */
function meshOf(skeleton: Skeleton, prefix: string): SkinnedMesh {
  const bones = skeleton.names.map((_, j) => {
    const bone = new Bone();
    bone.name = `${prefix}${j}`;
    bone.position.fromArray(skeleton.restTranslations, j * 3);
    bone.quaternion.fromArray(skeleton.restRotations, j * 4);
    return bone;
  });
  const mesh = new SkinnedMesh();
  bones.forEach((bone, j) => {
    const parent = skeleton.parents[j]!;
    (parent < 0 ? mesh : bones[parent]!).add(bone);
  });
  mesh.updateMatrixWorld(true);
  mesh.bind(new ThreeSkeleton(bones));
  return mesh;
}

function threeClip(clip: Clip): AnimationClip {
  const { frameCount, jointCount, rotations, translations, translationJoints } = clip;
  const times = Float32Array.from({ length: frameCount }, (_, f) => f * clip.frameDuration);
  const track = (from: Float32Array, at: number, size: number, stride: number): Float32Array => {
    const values = new Float32Array(frameCount * size);
    for (let f = 0; f < frameCount; f++) values.set(from.subarray(f * stride + at, f * stride + at + size), f * size);
    return values;
  };
  const tracks = Array.from({ length: jointCount }, (_, j) => {
    const values = track(rotations, j * 4, 4, jointCount * 4);
    return new QuaternionKeyframeTrack(`.bones[s${j}].quaternion`, times, values);
  });
  const moving = translationJoints.length;
  const moves = Array.from(translationJoints, (j, m) => {
    return new VectorKeyframeTrack(`.bones[s${j}].position`, times, track(translations, m * 3, 3, moving * 3));
  });
  return new AnimationClip(clip.name, -1, [...tracks, ...moves]);
}

/** Each limb's end held where the plain transfer puts it, a little nearer: every limb is solved in every frame. */
function heldEnds(plan: RetargetPlan, clip: Clip): LimbTargets {
  const targets = createLimbTargets(clip.frameCount);
  const retargeter = createRetargeter(plan);
  const row = createTargetClip(plan, 'one frame', 1, 1);
  for (let f = 0; f < clip.frameCount; f++) {
    retargeter.frame(clip, f, row, 0);
    for (const { limb, dstUpper, dstEnd } of plan.limbs) {
      if (dstEnd < 0) continue;
      targets.positionWeights[f * 4 + limb] = 1;
      for (let k = 0; k < 3; k++) {
        const root = retargeter.worldPositions[dstUpper * 3 + k]!;
        const end = retargeter.worldPositions[dstEnd * 3 + k]!;
        targets.positions[(f * 4 + limb) * 3 + k] = root + 0.97 * (end - root);
      }
    }
  }
  return targets;
}

async function compare({ name, plan, clip }: Job): Promise<string> {
  const { source, target, driverStarts, driverJoints, limbs } = plan;
  const src = meshOf(source.skeleton, 's');
  const dst = meshOf(target.skeleton, 't');
  const names: Record<string, string> = {};
  for (let j = 0; j < target.skeleton.jointCount; j++) {
    if (driverStarts[j + 1]! > driverStarts[j]!) names[`t${j}`] = `s${driverJoints[driverStarts[j]!]}`;
  }
  const animation = threeClip(clip);
  const options = { names, hip: `s${source.body.roles.hips!}`, scale: plan.scale, fps: 1 / clip.frameDuration };
  const frames = clip.frameCount;
  const targets = heldEnds(plan, clip);
  const retargeter = createRetargeter(plan);
  const out = createTargetClip(plan, clip.name, frames, clip.frameDuration);
  const [baseline, ...rows] = await measure(
    [
      {
        name: "three's SkeletonUtils.retargetClip (rotations only)",
        work: () => SkeletonUtils.retargetClip(dst, src, animation, { ...options }).tracks[0]!.values.length,
      },
      { name: 'retargetClip: rotations, four limbs reach', work: () => retargetClip(plan, clip).rotations[7]! },
      {
        name: 'the same, all four ends held',
        work: () => retargetClip(plan, clip, targets).rotations[7]!,
      },
      {
        name: 'frame by frame in TypeScript, into a clip at hand',
        work: () => {
          for (let f = 0; f < frames; f++) retargeter.frame(clip, f, out, f);
          return out.rotations[7]!;
        },
      },
      {
        name: 'the same, all four ends held',
        work: () => {
          for (let f = 0; f < frames; f++) retargeter.frame(clip, f, out, f, targets);
          return out.rotations[7]!;
        },
      },
    ],
    31,
    12,
  );
  const perSecond = (ms: number) => Math.round((frames / ms) * 1000).toLocaleString('en');
  const { median: threeMs, min: threeMin } = baseline!;
  return [
    `${name}: ${frames} frames, ${source.skeleton.jointCount} joints onto ${target.skeleton.jointCount}, of which ${Object.keys(names).length} are driven; ${limbs.length} limbs`,
    table(
      ['row', 'µs a frame: median (min, sd)', 'ratio, of minima', 'frames/s, of minima'],
      [baseline!, ...rows].map(({ name, median, min, sd }) => {
        const us = (ms: number) => ((ms * 1000) / frames).toFixed(2);
        return [
          name,
          `${us(median)} (${us(min)}, ${us(sd)})`,
          `${(threeMs / median).toFixed(1)}x, ${(threeMin / min).toFixed(1)}x`,
          `${perSecond(median)}, ${perSecond(min)}`,
        ];
      }),
    ),
  ].join('\n');
}

const parts: string[] = [];
for (const job of jobs()) parts.push(await compare(job));
process.stdout.write(`retargeting, one thread, bundled; ${machine()}\n${parts.join('\n\n')}\n`);
