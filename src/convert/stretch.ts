import { rotateVecInverse } from '../math/quat.ts';
import { distanceVec, subVec } from '../math/vec.ts';
import type { LimbTargets } from '../retarget/limb-targets.ts';
import type { LimbPlan, RetargetPlan } from '../retarget/plan.ts';
import { type Clip, framePose, restLocalPose } from '../skeleton/clip.ts';
import { createWorldPose, pathBetween } from '../skeleton/skeleton.ts';
import { keyTranslations } from './key-translations.ts';

/** A target nearer than this to the limb's end is reached (share of the limb's length): Float32 keys down a limb. */
const REACHED = 1e-5;

/**
 * Lets limbs grow where their target lies beyond their reach: all offsets from the upper joint to the end by one factor, so
 * that the end meets the target, and never by more than is allowed. Other joints keep their offsets, and all
 * keep their rotations.
 *
 * @param percent  0: never; 5: up to 1.05 times the limb's length
 * @param clip     the target's motion, world space; not touched
 * @returns the very same clip where nothing has to stretch
 */
export function stretchLimbs(plan: RetargetPlan, clip: Clip, targets: LimbTargets, percent: number): Clip {
  if (!(percent > 0)) return clip;
  const { skeleton } = plan.target;
  const limbs = plan.limbs.filter(({ dstEnd }) => dstEnd >= 0);
  const factors = limbs.map(() => new Float64Array(clip.frameCount).fill(1));
  const local = restLocalPose(skeleton);
  const pose = createWorldPose(skeleton.jointCount);
  const { positions } = pose;
  for (let f = 0; f < clip.frameCount; f++) {
    if (limbs.every(({ limb }) => targets.positionWeights[f * 4 + limb]! === 0)) continue;
    framePose(skeleton, clip, f, local, pose);
    limbs.forEach(({ limb, dstUpper, dstEnd, length }, i) => {
      const at = f * 4 + limb;
      const weight = targets.positionWeights[at]!;
      const wanted = distanceVec(targets.positions, at * 3, positions, dstUpper * 3);
      const reached = distanceVec(positions, dstEnd * 3, positions, dstUpper * 3);
      if (weight === 0 || reached === 0 || wanted - reached < REACHED * length) return;
      factors[i]![f] = Math.min(1 + percent / 100, 1 + weight * (wanted / reached - 1));
    });
  }
  const used = limbs.filter((_, i) => factors[i]!.some((factor) => factor > 1));
  if (used.length === 0) return clip;
  const joints = used.map((limb) => offsetsOf(plan, limb));
  const out = keyTranslations(clip, skeleton, joints.flat());
  const row = out.translationJoints.length;
  const place = new Float64Array(3);
  for (let f = 0; f < clip.frameCount; f++) {
    used.forEach((limb, i) => {
      const factor = factors[limbs.indexOf(limb)]![f]!;
      if (factor === 1) return;
      for (const joint of joints[i]!) {
        const at = (f * row + out.translationJoints.indexOf(joint)) * 3;
        if (joint !== limb.dstEnd || hangsInLimb(plan, limb)) {
          for (let k = 0; k < 3; k++) out.translations[at + k]! *= factor;
          continue;
        }
        // A foot or hand that hangs elsewhere is placed in the frame of what it hangs from.
        framePose(skeleton, clip, f, local, pose);
        for (let k = 0; k < 3; k++) {
          const from = positions[limb.dstUpper * 3 + k]!;
          place[k] = from + factor * (positions[joint * 3 + k]! - from);
        }
        const p = skeleton.parents[joint]!;
        if (p >= 0) {
          subVec(place, 0, place, 0, positions, p * 3);
          rotateVecInverse(place, 0, pose.rotations, p * 4, place, 0);
        }
        out.translations.set(place, at);
      }
    });
  }
  return out;
}

function hangsInLimb({ target }: RetargetPlan, { dstUpper, dstEnd }: LimbPlan): boolean {
  return pathBetween(target.skeleton, dstUpper, dstEnd).length > 0;
}

/** The joints whose offsets make up the limb's length. */
function offsetsOf(plan: RetargetPlan, limb: LimbPlan): number[] {
  const { skeleton } = plan.target;
  if (hangsInLimb(plan, limb)) return pathBetween(skeleton, limb.dstUpper, limb.dstEnd).slice(1);
  return [...pathBetween(skeleton, limb.dstUpper, limb.dstLower).slice(1), limb.dstEnd];
}
