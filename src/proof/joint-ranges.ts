import { rotateXyz } from '../math/quat.ts';
import { RANGES_OF_MOTION, type RangeOfMotion } from '../skeleton/joint-ranges.ts';
import { SIDES } from '../skeleton/side.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import { bendAt, createBend } from './hinges.ts';
import type { FootPoints, Json, Measure, Where } from './measure.ts';
import { MEASURE_RULES } from './thresholds.ts';
import { type LimbPoints, pelvisAxes, pointAt, rotationIndex, type Track } from './track.ts';

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

/** Degrees a frame, NaN where it cannot be told; null where joints are missing. */
export function jointAngles(
  track: Track,
  joint: JointRange['joint'],
  limb: LimbPoints | null,
  foot: FootPoints | null,
): Float64Array | null {
  if (!limb) return null;
  if (joint === 'ankle' && !foot) return null;
  const angles = new Float64Array(track.frameCount);
  const bend = createBend();
  const axes = new Float64Array(9);
  const a = new Float64Array(3);
  const b = new Float64Array(3);
  for (let f = 0; f < track.frameCount; f++) {
    if (joint === 'knee' || joint === 'elbow') {
      bendAt(track, limb, f, bend);
      angles[f] = bend.angle * DEGREES;
    } else if (joint === 'hip') {
      pointAt(track, f, limb.root, a, 0);
      pointAt(track, f, limb.middle, b, 0);
      if (!pelvisAxes(track, f, axes, 0)) angles[f] = Number.NaN;
      else {
        const x = b[0]! - a[0]!;
        const y = b[1]! - a[1]!;
        const z = b[2]! - a[2]!;
        const up = x * axes[3]! + y * axes[4]! + z * axes[5]!;
        const ahead = x * axes[6]! + y * axes[7]! + z * axes[8]!;
        // Out to the side the sagittal angle means nothing.
        const flat = Math.hypot(up, ahead) / Math.hypot(x, y, z);
        const angle = Math.atan2(ahead, -up) * DEGREES;
        angles[f] = flat < 0.8 ? Number.NaN : angle < -120 ? angle + 360 : angle;
      }
    } else {
      pointAt(track, f, limb.middle, a, 0);
      pointAt(track, f, limb.end, b, 0);
      for (let k = 0; k < 3; k++) a[k]! -= b[k]!;
      rotateXyz(b, 0, track.rotations, rotationIndex(track, f, foot!.heel.joint), ...foot!.heading);
      const cos = (a[0]! * b[0]! + a[1]! * b[1]! + a[2]! * b[2]!) / (Math.hypot(a[0]!, a[1]!, a[2]!) || 1);
      angles[f] = 90 - Math.acos(Math.min(1, Math.max(-1, cos))) * DEGREES;
    }
  }
  return angles;
}

/** How far joints leave their published ranges, where the source does not leave them as far. */
export function measureRanges(evidence: Evidence): Measure {
  const { target, source, sharedFrames } = evidence;
  const places: Where[] = [];
  const details: { [key: string]: Json } = {};
  let worst = 0;
  let taken = 0;
  for (const range of JOINT_RANGES)
    for (const side of SIDES) {
      const name = range.joint === 'elbow' ? (`${side}Arm` as const) : (`${side}Leg` as const);
      const limb = target.limbs[name];
      const angles = jointAngles(target, range.joint, limb, evidence.feet[side]);
      if (!angles || !limb) continue;
      taken++;
      const srcAngles = source ? jointAngles(source, range.joint, source.limbs[name], evidence.sourceFeet[side]) : null;
      const excess = new Float64Array(target.frameCount);
      let low = Number.POSITIVE_INFINITY;
      let high = Number.NEGATIVE_INFINITY;
      let srcWorst = 0;
      for (let f = 0; f < target.frameCount; f++) {
        const angle = angles[f]!;
        if (Number.isNaN(angle)) continue;
        low = Math.min(low, angle);
        high = Math.max(high, angle);
        const srcExcess = srcAngles && f < sharedFrames ? outside(srcAngles[f]!, range) : 0;
        srcWorst = Math.max(srcWorst, srcExcess);
        excess[f] = Math.max(0, outside(angle, range) - srcExcess);
        worst = Math.max(worst, excess[f]!);
      }
      if (high >= low)
        details[`${side} ${range.joint}`] = {
          positive: range.positive,
          min: low,
          max: high,
          range: [range.min, range.max],
          sourceExcess: srcWorst,
        };
      const joint =
        range.joint === 'hip' ? limb.root.joint : range.joint === 'ankle' ? limb.end.joint : limb.middle.joint;
      const role =
        range.joint === 'hip' ? limb.roles.root : range.joint === 'ankle' ? limb.roles.end : limb.roles.middle;
      for (const place of placesAbove(target, role, joint, excess, MEASURE_RULES['range-of-motion'].threshold))
        places.push({ ...place, note: `${range.joint}, ${range.positive} ${angles[place.worstFrame]!.toFixed(0)}°` });
    }
  if (taken === 0 || target.frameCount === 0)
    return notMeasured(evidence, 'range-of-motion', 'no limb with three joints was paired');
  return measured(evidence, 'range-of-motion', worst, places, details);
}

function outside(angle: number, range: JointRange): number {
  return Number.isNaN(angle) ? 0 : Math.max(0, angle - range.max, range.min - angle);
}
