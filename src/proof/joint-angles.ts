import { RANGES_OF_MOTION, type RangeOfMotion } from '../skeleton/joint-ranges.ts';
import { oncePerKey } from '../skeleton/once-per.ts';
import type { Side } from '../skeleton/side.ts';
import { bendsOf } from './bends.ts';
import { footPointsOf } from './foot-points.ts';
import { jointTurns, pathOf, pelvisAxesOf, type Track, turnVec } from './track.ts';

export interface JointRange extends RangeOfMotion {
  joint: 'knee' | 'elbow' | 'hip' | 'ankle';
}

/**
 * Ranges that joint positions can tell, degrees from standing. For animation, not for medical use.
 * Extension of knee and elbow beyond straight is the business of the hinge measures.
 */
export const JOINT_RANGES: readonly JointRange[] = [
  { joint: 'knee', ...RANGES_OF_MOTION.kneeFlexion },
  { joint: 'elbow', ...RANGES_OF_MOTION.elbowFlexion },
  { joint: 'hip', ...RANGES_OF_MOTION.hipFlexion },
  {
    joint: 'ankle',
    ...RANGES_OF_MOTION.ankleFlexion,
    // The published 20 degrees are measured without load; a standing leg leans further over its foot.
    max: 40,
    source: `${RANGES_OF_MOTION.ankleFlexion.source}; about 40 under body weight (lunge, value from memory)`,
  },
];

const DEGREES = 180 / Math.PI;

/** Degrees a frame, NaN where it cannot be told; null where joints are missing. They are shared: read them only. */
export function jointAngles(track: Track, joint: JointRange['joint'], side: Side): Float64Array | null {
  return ANGLES[joint](track, side);
}

const ANGLES: Record<JointRange['joint'], (track: Track, side: Side) => Float64Array | null> = {
  knee: oncePerKey((track: Track, side: Side) => flexions(track, `${side}Leg`)),
  elbow: oncePerKey((track: Track, side: Side) => flexions(track, `${side}Arm`)),
  hip: oncePerKey((track: Track, side: Side): Float64Array | null => {
    const limb = track.limbs[`${side}Leg`];
    if (!limb) return null;
    const angles = new Float64Array(track.frameCount);
    const axes = pelvisAxesOf(track);
    if (axes) hipAngles(angles, axes, pathOf(track, limb.root), pathOf(track, limb.middle));
    else angles.fill(Number.NaN);
    return angles;
  }),
  ankle: oncePerKey((track: Track, side: Side): Float64Array | null => {
    const limb = track.limbs[`${side}Leg`];
    const foot = footPointsOf(track, side);
    if (!limb || !foot) return null;
    const angles = new Float64Array(track.frameCount);
    const headings = new Float64Array(track.frameCount * 3);
    turnVec(headings, jointTurns(track, foot.heel.joint), Float64Array.from(foot.heading));
    ankleAngles(angles, headings, pathOf(track, limb.middle), pathOf(track, limb.end));
    return angles;
  }),
};

function flexions(track: Track, limb: 'leftLeg' | 'rightLeg' | 'leftArm' | 'rightArm'): Float64Array | null {
  const bends = bendsOf(track, limb);
  return bends && toDegrees(bends.angles);
}

function toDegrees(radians: Float64Array): Float64Array {
  const degrees = new Float64Array(radians.length);
  for (let f = 0; f < degrees.length; f++) degrees[f] = radians[f]! * DEGREES;
  return degrees;
}

function hipAngles(angles: Float64Array, axes: Float64Array, hip: Float64Array, knee: Float64Array): void {
  for (let f = 0, i = 0, a = 0; f < angles.length; f++, i += 3, a += 9) {
    const x = knee[i]! - hip[i]!;
    const y = knee[i + 1]! - hip[i + 1]!;
    const z = knee[i + 2]! - hip[i + 2]!;
    const up = x * axes[a + 3]! + y * axes[a + 4]! + z * axes[a + 5]!;
    const ahead = x * axes[a + 6]! + y * axes[a + 7]! + z * axes[a + 8]!;
    // Out to the side the sagittal angle means nothing.
    const isFlat = up * up + ahead * ahead >= 0.8 * 0.8 * (x * x + y * y + z * z);
    const angle = Math.atan2(ahead, -up) * DEGREES;
    angles[f] = isFlat ? (angle < -120 ? angle + 360 : angle) : Number.NaN;
  }
}

function ankleAngles(angles: Float64Array, headings: Float64Array, knee: Float64Array, ankle: Float64Array): void {
  for (let f = 0, i = 0; f < angles.length; f++, i += 3) {
    const x = knee[i]! - ankle[i]!;
    const y = knee[i + 1]! - ankle[i + 1]!;
    const z = knee[i + 2]! - ankle[i + 2]!;
    const length = Math.sqrt(x * x + y * y + z * z) || 1;
    const cos = (x * headings[i]! + y * headings[i + 1]! + z * headings[i + 2]!) / length;
    angles[f] = 90 - Math.acos(Math.min(1, Math.max(-1, cos))) * DEGREES;
  }
}
