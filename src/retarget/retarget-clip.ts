/** Whole clips through a plan. */
import { copyQuat } from '../math/quat.ts';
import { copyVec } from '../math/vec.ts';
import type { Clip } from '../skeleton/clip.ts';
import { type FrameWork, openKernelFrames } from './frame-kernel.ts';
import type { LimbTargets } from './limb-targets.ts';
import type { RetargetPlan } from './plan.ts';
import { createRetargeter, createTargetClip } from './retargeter.ts';

/** Retargets a whole clip. The source clip is not touched. */
export function retargetClip(plan: RetargetPlan, src: Clip, targets?: LimbTargets): Clip {
  const out = createTargetClip(plan, src.name, src.frameCount, src.frameDuration);
  openFrames({ plan, part: 'all', src, targets, out }).run(0, src.frameCount);
  return out;
}

/**
 * Writes those frames of a retargeted clip anew in which `targets` lead an arm. The clip was made with the same targets but
 * for the arms: nothing else changes.
 */
export function retargetArms(plan: RetargetPlan, src: Clip, targets: LimbTargets, out: Clip): void {
  const { positionWeights } = targets;
  const work = openFrames({ plan, part: 'arms', src, targets, out });
  let first = 0;
  for (let f = 0; f <= src.frameCount; f++) {
    if (f < src.frameCount && leadsArm(positionWeights, f)) continue;
    if (f > first) work.run(first, f);
    first = f + 1;
  }
}

function leadsArm(weights: Float64Array, f: number): boolean {
  return weights[f * 4 + 2]! > 0 || weights[f * 4 + 3]! > 0;
}

/** Runs a clip and keeps world places and turns of some joints in every frame, as `targets` lead them. */
export function recordJoints(work: Omit<FrameWork, 'out'>): void {
  openFrames(work).run(0, work.src.frameCount);
}

/** By the kernel, or where that cannot be had frame by frame. */
function openFrames(work: FrameWork): { run(first: number, end: number): void } {
  return openKernelFrames(work) ?? { run: (first, end) => runFrames(work, first, end) };
}

/** Frames from `first` to before `end` without the kernel: what it is held to. */
export function runFrames(
  { plan, part, src, targets, out, places = [], turns = [] }: FrameWork,
  first: number,
  end: number,
): void {
  const retargeter = createRetargeter(plan, part);
  const { worldPositions, worldRotations } = retargeter;
  for (let f = first; f < end; f++) {
    if (out) retargeter.frame(src, f, out, f, targets);
    else retargeter.pose(src, f, targets);
    for (const { joint, to } of places) copyVec(to, f * 3, worldPositions, joint * 3);
    for (const { joint, to } of turns) copyQuat(to, f * 4, worldRotations, joint * 4);
  }
}
