import { getHeapStatistics } from 'node:v8';
import type { Actor } from '../../src/retarget/actor.ts';
import { createLimbTargets, type LimbTargets } from '../../src/retarget/limb-targets.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { createRetargeter, createTargetClip } from '../../src/retarget/retargeter.ts';
import { figure, wander } from '../support/figure.ts';

const FRAMES = 200;
/** Frames in a window: one object a frame is far above what reading the statistics costs. */
const WINDOW = 4000;
const WINDOWS = 30;

const gc = (globalThis as { gc?: () => void }).gc;
if (!gc) throw new Error('run with --expose-gc');

/** Bytes a frame, of the window that allocated least: compiling and feedback end some time, a frame loop goes on. */
function bytesPerFrame(work: (f: number) => void): number {
  let least = Number.POSITIVE_INFINITY;
  for (let w = 0; w < WINDOWS; w++) {
    gc!();
    const before = getHeapStatistics().used_heap_size;
    for (let i = 0; i < WINDOW; i++) work(i % FRAMES);
    const bytes = getHeapStatistics().used_heap_size - before;
    if (bytes < 0) throw new Error('the heap was collected within a window: give it more room');
    least = Math.min(least, bytes / WINDOW);
  }
  return least;
}

/** Upper arms have a joint that takes half of their twist; the spine is blended, as it has other joints. */
function targetFigure(): Actor {
  const actor = figure({ splitLimbs: true, spineJoints: 5, legs: 1.2, rollSeed: 3, fingers: true });
  const joint = actor.skeleton.names.indexOf('leftArmMiddle');
  actor.body.helpers.push({ joint, kind: 'twist', of: 'leftUpperArm', share: 0.5 });
  return actor;
}

const source = figure({ spineJoints: 3 });
const clip = wander(source, FRAMES, 4);
const plan = compileRetarget(source, targetFigure());
const retargeter = createRetargeter(plan);
const out = createTargetClip(plan, 'out', FRAMES, clip.frameDuration);

function someTargets(): LimbTargets {
  const targets = createLimbTargets(FRAMES);
  targets.positionWeights.fill(0.7);
  targets.rotationWeights.fill(0.3);
  targets.toeWeights.fill(0.2);
  for (let at = 3; at < targets.rotations.length; at += 4) targets.rotations[at] = 1;
  for (let at = 3; at < targets.toeRotations.length; at += 4) targets.toeRotations[at] = 1;
  for (let f = 0; f < FRAMES; f++) {
    retargeter.frame(clip, f, out, f);
    for (const { limb, dstEnd } of plan.limbs) {
      const from = retargeter.worldPositions.subarray(dstEnd * 3, dstEnd * 3 + 3);
      targets.positions.set(from, (f * 4 + limb) * 3);
      targets.positions[(f * 4 + limb) * 3 + 1]! += 0.05 * Math.sin(f);
    }
  }
  return targets;
}

const targets = someTargets();
let boxed: number[] = [];
const result = {
  kinds: [...new Set(plan.kinds)].sort(),
  limbs: plan.limbs.length,
  plain: bytesPerFrame((f) => retargeter.frame(clip, f, out, f)),
  led: bytesPerFrame((f) => retargeter.frame(clip, f, out, f, targets)),
  // What the measure sees of one small array a frame.
  control: bytesPerFrame((f) => {
    boxed = [f];
  }),
  sink: boxed.length + out.rotations[3]!,
};
process.stdout.write(JSON.stringify(result));
