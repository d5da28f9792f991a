import { copyQuat } from '../math/quat.ts';
import { distanceVec } from '../math/vec.ts';
import type { LimbTargets } from '../retarget/limb-targets.ts';
import type { LimbPlan, RetargetPlan } from '../retarget/plan.ts';
import { createRetargeter, createTargetClip } from '../retarget/retargeter.ts';
import type { Clip } from '../skeleton/clip.ts';
import { LIMB_PARTS, LIMBS } from '../skeleton/limb.ts';
import type { Side } from '../skeleton/side.ts';

/** What the plain retarget does with one leg, frame-major, world space. */
export interface LegTrack {
  limb: LimbPlan;
  side: Side;
  hips: Float64Array;
  /** Foot joint; the end of the shin where there is none. */
  ankles: Float64Array;
  /** Rotation of the foot joint, or of the shin that has none, xyzw. */
  feet: Float64Array;
  toes: Float64Array;
  /** From hip to ankle, metres. */
  extensions: Float64Array;
}

/** Runs the plain retarget once and records what the legs do. Allocates its result. */
export function trackLegs(plan: RetargetPlan, clip: Clip): LegTrack[] {
  const { frameCount } = clip;
  const legs = plan.limbs.filter(isLeg).map((limb) => ({
    limb,
    side: LIMB_PARTS[LIMBS[limb.limb]!].side,
    hips: new Float64Array(frameCount * 3),
    ankles: new Float64Array(frameCount * 3),
    feet: new Float64Array(frameCount * 4),
    toes: new Float64Array(frameCount * 4),
    extensions: new Float64Array(frameCount),
  }));
  const jointCount = plan.target.skeleton.jointCount;
  run(plan, clip, undefined, (f, rotations, positions) => {
    for (const { limb, hips, ankles, feet, toes, extensions } of legs) {
      const end = limb.dstEnd >= 0 ? limb.dstEnd : jointCount + limb.limb;
      for (let k = 0; k < 3; k++) {
        hips[f * 3 + k] = positions[limb.dstUpper * 3 + k]!;
        ankles[f * 3 + k] = positions[end * 3 + k]!;
      }
      extensions[f] = distanceVec(hips, f * 3, ankles, f * 3);
      copyQuat(feet, f * 4, rotations, (limb.dstEnd >= 0 ? limb.dstEnd : limb.dstLower) * 4);
      if (limb.dstToes >= 0) copyQuat(toes, f * 4, rotations, limb.dstToes * 4);
    }
  });
  return legs;
}

/** Replaces the rotations of legs that end in their shins: the sole turns with the shin, wherever its end is led. */
export function trackShins(plan: RetargetPlan, clip: Clip, targets: LimbTargets, legs: readonly LegTrack[]): void {
  run(plan, clip, targets, (f, rotations) => {
    for (const { limb, feet } of legs) if (limb.dstEnd < 0) copyQuat(feet, f * 4, rotations, limb.dstLower * 4);
  });
}

function isLeg({ limb }: LimbPlan): boolean {
  return LIMB_PARTS[LIMBS[limb]!].kind === 'leg';
}

/** Legs only: arms are left as the performer turns them. */
function run(
  plan: RetargetPlan,
  clip: Clip,
  targets: LimbTargets | undefined,
  record: (f: number, rotations: Float64Array, positions: Float64Array) => void,
): void {
  const retargeter = createRetargeter({ ...plan, limbs: plan.limbs.filter(isLeg) });
  const row = createTargetClip(plan, 'one frame', 1, clip.frameDuration);
  for (let f = 0; f < clip.frameCount; f++) {
    retargeter.frame(clip, f, row, 0, targets);
    record(f, retargeter.worldRotations, retargeter.worldPositions);
  }
}
