import { type Role, sidedRole, sideOf } from '../pairing/roles.ts';
import { LOADED_DORSIFLEXION, RANGES_OF_MOTION, type RangeOfMotion } from '../skeleton/joint-ranges.ts';
import { oncePerKey } from '../skeleton/once-per.ts';
import type { Side } from '../skeleton/side.ts';
import { bendsOf } from './bends.ts';
import { footPointsOf, headingsOf, upsOf } from './foot-points.ts';
import { pathOf, pelvisAxesOf, type Track } from './track.ts';

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
    max: LOADED_DORSIFLEXION,
    source: `${RANGES_OF_MOTION.ankleFlexion.source}; about ${LOADED_DORSIFLEXION} under body weight (lunge, value from memory)`,
  },
];

const DEGREES = 180 / Math.PI;

/** The angle of a joint over time. The arrays are shared: read them only. */
export interface JointCurve {
  /** A frame, NaN where it cannot be told. */
  degrees: Float64Array;
  /**
   * Share of the segment that lies in the plane in which the angle is measured, a frame: 1 in it, 0 square to it, where the
   * angle means nothing. Null for a hinge, which does not leave its plane.
   */
  inPlane: Float64Array | null;
}

/** Null where joints are missing. */
export function jointCurve(track: Track, joint: JointRange['joint'], side: Side): JointCurve | null {
  return CURVES[joint](track, side);
}

/** A segment with less than this share in the plane is not drawn: a few degrees aside would look like many ahead. */
const SHOWN_IN_PLANE = 0.8;

/** The angles to be shown, degrees a frame: NaN where the segment is far out of the plane. Null where joints are missing. */
export const jointAngles = oncePerKey((track: Track, name: `${Side} ${JointRange['joint']}`): Float64Array | null => {
  const [side, joint] = name.split(' ') as [Side, JointRange['joint']];
  const curve = jointCurve(track, joint, side);
  const inPlane = curve?.inPlane;
  if (!curve || !inPlane) return curve?.degrees ?? null;
  return shownOf(curve.degrees, inPlane);
});

function shownOf(degrees: Float64Array, inPlane: Float64Array): Float64Array {
  const shown = new Float64Array(degrees.length);
  for (let f = 0; f < shown.length; f++) shown[f] = inPlane[f]! >= SHOWN_IN_PLANE ? degrees[f]! : Number.NaN;
  return shown;
}

/** A bend as it is told: "ankle, dorsiflexion 55°". */
export function bendInWords({ joint, positive }: JointRange, degrees: number): string {
  return `${joint}, ${positive} ${degrees.toFixed(0)}°`;
}

const PART_OF = { knee: 'LowerLeg', elbow: 'LowerArm', hip: 'UpperLeg', ankle: 'Foot' } as const;

/** How the joint of a role is bent in a frame; undefined where that is not told. */
export function bendOf(track: Track, role: Role, f: number): string | undefined {
  const side = sideOf(role);
  const range = side && JOINT_RANGES.find(({ joint }) => role === sidedRole(side, PART_OF[joint]));
  const degrees = range ? (jointAngles(track, `${side} ${range.joint}`)?.[f] ?? Number.NaN) : Number.NaN;
  return range && !Number.isNaN(degrees) ? bendInWords(range, degrees) : undefined;
}

/** The lowest and the highest of the angles that are shown; an empty range where none is. */
export function extremesShown(degrees: Float64Array, inPlane: Float64Array | null): [low: number, high: number] {
  let low = Number.POSITIVE_INFINITY;
  let high = Number.NEGATIVE_INFINITY;
  for (let f = 0; f < degrees.length; f++) {
    if (inPlane !== null && !(inPlane[f]! >= SHOWN_IN_PLANE)) continue;
    if (degrees[f]! < low) low = degrees[f]!;
    if (degrees[f]! > high) high = degrees[f]!;
  }
  return [low, high];
}

/**
 * How far a segment is outside of a range in each frame, degrees. Out of the plane of the angle it is nearer to its range than
 * the angle says, and square to the plane it is in no range and out of none: what counts is the way over the sphere from its
 * direction to the nearest one within the range, by Napier's rule for the right spherical triangle of the two,
 * sin(way) = sin(angle outside) · share in the plane. From 90 degrees on the nearest is the pole of the plane.
 */
export function degreesOutside(
  outside: Float64Array,
  degrees: Float64Array,
  inPlane: Float64Array | null,
  min: number,
  max: number,
): void {
  for (let f = 0; f < outside.length; f++) {
    const angle = degrees[f]!;
    const over = angle > max ? angle - max : angle < min ? min - angle : 0;
    outside[f] =
      inPlane === null || over === 0 ? over : Math.asin(Math.sin(Math.min(over, 90) / DEGREES) * inPlane[f]!) * DEGREES;
  }
}

const hinge = (degrees: Float64Array | undefined): JointCurve | null => (degrees ? { degrees, inPlane: null } : null);

const CURVES: Record<JointRange['joint'], (track: Track, side: Side) => JointCurve | null> = {
  knee: oncePerKey((track: Track, side: Side) => hinge(bendsOf(track, `${side}Leg`)?.degrees)),
  elbow: oncePerKey((track: Track, side: Side) => hinge(bendsOf(track, `${side}Arm`)?.degrees)),
  hip: oncePerKey((track: Track, side: Side): JointCurve | null => {
    const limb = track.limbs[`${side}Leg`];
    if (!limb) return null;
    const degrees = new Float64Array(track.frameCount).fill(Number.NaN);
    const inPlane = new Float64Array(track.frameCount);
    const axes = pelvisAxesOf(track);
    if (axes) hipAngles(degrees, inPlane, axes, pathOf(track, limb.root), pathOf(track, limb.middle));
    return { degrees, inPlane };
  }),
  ankle: oncePerKey((track: Track, side: Side): JointCurve | null => {
    const limb = track.limbs[`${side}Leg`];
    const foot = footPointsOf(track, side);
    if (!limb || !foot) return null;
    const angles = new Float64Array(track.frameCount);
    ankleAngles(angles, headingsOf(track, foot), pathOf(track, limb.middle), pathOf(track, limb.end));
    return hinge(angles);
  }),
};

/** A whole turn is cut where it is equally far from both ends of the range, so that neither seems near from the other's side. */
const HIP_LOWEST = (RANGES_OF_MOTION.hipFlexion.min + RANGES_OF_MOTION.hipFlexion.max) / 2 - 180;

function hipAngles(
  angles: Float64Array,
  inPlane: Float64Array,
  axes: Float64Array,
  hip: Float64Array,
  knee: Float64Array,
): void {
  for (let f = 0, i = 0, a = 0; f < angles.length; f++, i += 3, a += 9) {
    const x = knee[i]! - hip[i]!;
    const y = knee[i + 1]! - hip[i + 1]!;
    const z = knee[i + 2]! - hip[i + 2]!;
    const up = x * axes[a + 3]! + y * axes[a + 4]! + z * axes[a + 5]!;
    const ahead = x * axes[a + 6]! + y * axes[a + 7]! + z * axes[a + 8]!;
    const angle = Math.atan2(ahead, -up) * DEGREES;
    angles[f] = angle < HIP_LOWEST ? angle + 360 : angle;
    inPlane[f] = Math.min(1, Math.sqrt((up * up + ahead * ahead) / (x * x + y * y + z * z)));
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

/**
 * By how far a shin is under the plane of its foot's sole, degrees a frame, 0 where it stands over it; 90 with the sole turned up
 * to the shin. Feet of captures are bent backwards so now and then; the angle of the ankle does not tell it,
 * which is that between shin and foot. Null where joints are missing.
 */
export const ankleBackwards = oncePerKey((track: Track, side: Side): Float64Array | null => {
  const limb = track.limbs[`${side}Leg`];
  const foot = footPointsOf(track, side);
  if (!limb || !foot) return null;
  const ups = upsOf(track, foot);
  const [knee, ankle] = [pathOf(track, limb.middle), pathOf(track, limb.end)];
  const degrees = new Float64Array(track.frameCount);
  for (let f = 0, i = 0; f < degrees.length; f++, i += 3) {
    const x = knee[i]! - ankle[i]!;
    const y = knee[i + 1]! - ankle[i + 1]!;
    const z = knee[i + 2]! - ankle[i + 2]!;
    const up = (x * ups[i]! + y * ups[i + 1]! + z * ups[i + 2]!) / (Math.sqrt(x * x + y * y + z * z) || 1);
    if (up < 0) degrees[f] = Math.asin(Math.min(1, -up)) * DEGREES;
  }
  return degrees;
});
