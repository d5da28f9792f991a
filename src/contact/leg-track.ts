/**
 * What the legs do in the plain retarget. Tried before: the whole figure with its arms left as they are, and a row of a clip
 * that nobody read: 2.05 µs a frame where the legs alone take 1.28 (figure8_walk onto 30 joints, bundled, least of 300 runs).
 */
import { copyQuat } from '../math/quat.ts';
import { copyVec, distanceVec } from '../math/vec.ts';
import type { LimbTargets } from '../retarget/limb-targets.ts';
import type { LimbPlan, RetargetPlan } from '../retarget/plan.ts';
import { createRetargeter } from '../retarget/retargeter.ts';
import type { Clip } from '../skeleton/clip.ts';
import { LIMB_PARTS, LIMBS } from '../skeleton/limb.ts';
import type { Side } from '../skeleton/side.ts';

/** What the plain retarget does with one leg, frame-major, world space. */
export interface LegTrack {
  limb: LimbPlan;
  side: Side;
  hips: Float64Array;
  knees: Float64Array;
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
    knees: new Float64Array(frameCount * 3),
    ankles: new Float64Array(frameCount * 3),
    feet: new Float64Array(frameCount * 4),
    toes: new Float64Array(frameCount * 4),
    extensions: new Float64Array(frameCount),
  }));
  const retargeter = createRetargeter(plan, 'legs');
  const { worldRotations, worldPositions } = retargeter;
  for (let f = 0; f < frameCount; f++) {
    retargeter.pose(clip, f);
    for (let l = 0; l < legs.length; l++)
      recordLeg(legs[l]!, plan.target.skeleton.jointCount, f, worldRotations, worldPositions);
  }
  return legs;
}

function recordLeg(
  { limb, hips, knees, ankles, feet, toes, extensions }: LegTrack,
  jointCount: number,
  f: number,
  rotations: Float64Array,
  positions: Float64Array,
): void {
  const end = limb.dstEnd >= 0 ? limb.dstEnd : jointCount + limb.limb;
  copyVec(hips, f * 3, positions, limb.dstUpper * 3);
  copyVec(knees, f * 3, positions, limb.dstLower * 3);
  copyVec(ankles, f * 3, positions, end * 3);
  extensions[f] = distanceVec(hips, f * 3, ankles, f * 3);
  copyQuat(feet, f * 4, rotations, (limb.dstEnd >= 0 ? limb.dstEnd : limb.dstLower) * 4);
  if (limb.dstToes >= 0) copyQuat(toes, f * 4, rotations, limb.dstToes * 4);
}

/** Replaces the rotations of legs that end in their shins: the sole turns with the shin, wherever its end is led. */
export function trackShins(plan: RetargetPlan, clip: Clip, targets: LimbTargets, legs: readonly LegTrack[]): void {
  const retargeter = createRetargeter(plan, 'legs');
  for (let f = 0; f < clip.frameCount; f++) {
    retargeter.pose(clip, f, targets);
    for (const { limb, feet } of legs) {
      if (limb.dstEnd < 0) copyQuat(feet, f * 4, retargeter.worldRotations, limb.dstLower * 4);
    }
  }
}

function isLeg({ limb }: LimbPlan): boolean {
  return LIMB_PARTS[LIMBS[limb]!].kind === 'leg';
}
