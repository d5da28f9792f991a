/** The WebAssembly kernel of the frame loop against its reference in TypeScript, bit for bit. */
import { createHash } from 'node:crypto';
import { describe, expect, it } from 'vitest';
import { type FrameWork, type JointRecord, openKernelFrames } from '../../src/retarget/frame-kernel.ts';
import { createLimbTargets, type LimbTargets } from '../../src/retarget/limb-targets.ts';
import { compileRetarget, REST, type RetargetPlan, TWISTED } from '../../src/retarget/plan.ts';
import { runFrames } from '../../src/retarget/retarget-clip.ts';
import { createRetargeter, createTargetClip } from '../../src/retarget/retargeter.ts';
import type { RetargetPart } from '../../src/retarget/work-lists.ts';
import type { Clip } from '../../src/skeleton/clip.ts';
import { figure, randomQuat, seeded, wander } from '../support/figure.ts';
import { realPlan } from '../support/real-job.ts';
import { HAS_RIGS, RIG_FILES, RIGS_REASON, rigTruth } from '../support/rigs.ts';
import { twistedArmActor } from '../support/twist-figure.ts';

/** More than the kernel is given at once, and no multiple of it. */
const FRAMES = 150;
const PARTS: readonly RetargetPart[] = ['all', 'legs', 'arms'];

/** Targets near where the limbs go by themselves: each in or out of reach, with a weight of 0, in between, or 1. */
function randomTargets(plan: RetargetPlan, src: Clip, seed: number): LimbTargets {
  const random = seeded(seed);
  const weight = (): number => Math.max(0, Math.min(1, 3 * random() - 1));
  const targets = createLimbTargets(FRAMES);
  const retargeter = createRetargeter(plan);
  const { jointCount } = plan.target.skeleton;
  for (let f = 0; f < FRAMES; f++) {
    retargeter.pose(src, f);
    for (const { limb, dstEnd, dstLower, length } of plan.limbs) {
      const at = f * 4 + limb;
      const end = (dstEnd >= 0 ? dstEnd : jointCount + limb) * 3;
      for (let k = 0; k < 3; k++) {
        targets.positions[at * 3 + k] = retargeter.worldPositions[end + k]! + length * (random() - 0.5);
        targets.middles[at * 3 + k] = retargeter.worldPositions[dstLower * 3 + k]! + length * (random() - 0.5);
      }
      targets.positionWeights[at] = weight();
      targets.reaches[at] = 0.9 + 0.2 * random();
      targets.middleWeights[at] = weight();
      targets.rotations.set(randomQuat(random), at * 4);
      targets.rotationWeights[at] = weight();
      if (limb >= 2) continue;
      targets.toeRotations.set(randomQuat(random), (f * 2 + limb) * 4);
      targets.toeWeights[f * 2 + limb] = weight();
    }
    for (let k = 0; k < 3; k++) targets.rootShifts[f * 3 + k] = 0.1 * (random() - 0.5);
  }
  return targets;
}

interface Results {
  out: Clip;
  records: Float64Array[];
}

/** Runs work one way or the other and keeps places and turns of all limb joints besides. */
function resultsOf(work: FrameWork, run: (work: FrameWork) => void): Results {
  const { plan, src } = work;
  const { jointCount } = plan.target.skeleton;
  const out = createTargetClip(plan, src.name, src.frameCount, src.frameDuration);
  const led = plan.limbs.filter(({ limb }) => (work.part === 'all' ? true : limb < 2 === (work.part === 'legs')));
  const joints = led.flatMap(({ dstUpper, dstLower, dstEnd, limb }) => [
    dstUpper,
    dstLower,
    dstEnd >= 0 ? dstEnd : jointCount + limb,
  ]);
  const record =
    (width: number) =>
    (joint: number): JointRecord => ({ joint, to: new Float64Array(FRAMES * width) });
  const places = joints.map(record(3));
  const turns = joints.filter((joint) => joint < jointCount).map(record(4));
  run({ ...work, out, places, turns });
  return { out, records: [...places, ...turns].map(({ to }) => to) };
}

/** 0 and -0 differ, and long arrays are compared in no time. */
const digest = (values: NodeJS.ArrayBufferView): string => createHash('sha256').update(values).digest('hex');

const digests = ({ out, records }: Results): string[] => [out.rotations, out.translations, ...records].map(digest);

function expectAlike(plan: RetargetPlan, src: Clip): void {
  for (const targets of [undefined, randomTargets(plan, src, 11)]) {
    for (const part of PARTS) {
      const work = { plan, part, src, targets };
      const reference = resultsOf(work, (its) => runFrames(its, 0, FRAMES));
      const kernel = resultsOf(work, (its) => openKernelFrames(its)!.run(0, FRAMES));
      expect(reference.out.rotations.some((x) => x !== 0)).toBe(true);
      expect(digests(kernel)).toEqual(digests(reference));
    }
  }
}

describe('the kernel of the frame loop', () => {
  it.each([
    ['a figure with fingers', { fingers: true, rollSeed: 5 }],
    ['split limbs', { splitLimbs: true, fingers: true, rollSeed: 6 }],
    ['feet under a root joint', { detachedFeet: true, legs: 0.8 }],
    ['a longer spine', { spineJoints: 5, scale: 1.3 }],
  ])('%s: gives the same bits', (_, options) => {
    const performer = figure({ fingers: true, spineJoints: 3 });
    expectAlike(compileRetarget(performer, figure(options)), wander(performer, FRAMES, 2));
  });

  it('gives the same bits where joints share the twist of others', () => {
    const actor = twistedArmActor();
    const plan = compileRetarget(actor, actor);
    expect(plan.kinds).toContain(TWISTED);
    expectAlike(plan, wander(actor, FRAMES, 3));
  });

  it('gives the same bits for limbs that have no joint at their ends, and for joints that are held', () => {
    const performer = figure({ fingers: true });
    const target = figure({ legs: 1.1 });
    const { leftFoot, leftToes, rightHand, ...roles } = target.body.roles;
    const held = target.body.roles.spine!;
    const plan = compileRetarget(performer, { ...target, body: { ...target.body, roles } }, { hold: [held] });
    expect(plan.limbs.filter(({ dstEnd }) => dstEnd < 0)).toHaveLength(2);
    expect(plan.kinds[held]).toBe(REST);
    expectAlike(plan, wander(performer, FRAMES, 4));
  });

  it('leaves alone what other work has in hand', () => {
    const performer = figure();
    const src = wander(performer, FRAMES, 5);
    const works = [figure({ legs: 0.9 }), figure({ scale: 2, fingers: true })].map((target) => {
      const plan = compileRetarget(performer, target);
      return { plan, part: 'all' as const, src, out: createTargetClip(plan, 'out', FRAMES, src.frameDuration) };
    });
    const frames = works.map((work) => openKernelFrames(work)!);
    for (let f = 0; f < FRAMES; f += 30) for (const each of frames) each.run(f, f + 30);
    for (const { out, ...work } of works) {
      const alone = resultsOf(work, (its) => runFrames(its, 0, FRAMES));
      expect(digest(out.rotations)).toBe(digest(alone.out.rotations));
      expect(digest(out.translations)).toBe(digest(alone.out.translations));
    }
  });

  const rigs = !HAS_RIGS ? ['absent'] : RIG_FILES.filter((file) => rigTruth()[file]!.humanoid && !/draco/.test(file));
  it.skipIf(!HAS_RIGS).each(rigs)(`gives %s the same bits${RIGS_REASON}`, (rig) => {
    const { plan, clip } = realPlan('zup_wave_hello.bvh', rig);
    expectAlike(plan, { ...clip, frameCount: FRAMES });
  });
});
