/**
 * What the legs do in the plain retarget. Tried before: the whole figure with its arms left as they are, and a row of a clip
 * that nobody read: 2.05 µs a frame where the legs alone take 1.28 (figure8_walk onto 30 joints, bundled, least of 300 runs).
 */
import { distanceVec } from '../math/vec.ts';
import type { LimbTargets } from '../retarget/limb-targets.ts';
import type { LimbPlan, RetargetPlan } from '../retarget/plan.ts';
import { recordJoints } from '../retarget/retarget-clip.ts';
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
  const { jointCount } = plan.target.skeleton;
  const endOf = ({ dstEnd, limb }: LimbPlan): number => (dstEnd >= 0 ? dstEnd : jointCount + limb);
  recordJoints({
    plan,
    part: 'legs',
    src: clip,
    places: legs.flatMap(({ limb, hips, knees, ankles }) => [
      { joint: limb.dstUpper, to: hips },
      { joint: limb.dstLower, to: knees },
      { joint: endOf(limb), to: ankles },
    ]),
    turns: legs.flatMap(({ limb, feet, toes }) => [
      { joint: limb.dstEnd >= 0 ? limb.dstEnd : limb.dstLower, to: feet },
      ...(limb.dstToes >= 0 ? [{ joint: limb.dstToes, to: toes }] : []),
    ]),
  });
  for (const { hips, ankles, extensions } of legs) measureExtensions(hips, ankles, extensions);
  return legs;
}

function measureExtensions(hips: Float64Array, ankles: Float64Array, extensions: Float64Array): void {
  for (let f = 0; f < extensions.length; f++) extensions[f] = distanceVec(hips, f * 3, ankles, f * 3);
}

/** Replaces the rotations of legs that end in their shins: the sole turns with the shin, wherever its end is led. */
export function trackShins(plan: RetargetPlan, clip: Clip, targets: LimbTargets, legs: readonly LegTrack[]): void {
  const turns = legs
    .filter(({ limb }) => limb.dstEnd < 0)
    .map(({ limb, feet }) => ({ joint: limb.dstLower, to: feet }));
  recordJoints({ plan, part: 'legs', src: clip, targets, turns });
}

function isLeg({ limb }: LimbPlan): boolean {
  return LIMB_PARTS[LIMBS[limb]!].kind === 'leg';
}
