import { rotateVecInverse } from '../math/quat.ts';
import { distanceVec } from '../math/vec.ts';
import type { Body } from '../pairing/body.ts';
import { sidedRole } from '../pairing/roles.ts';
import { LIMB_PARTS, LIMBS } from '../skeleton/limb.ts';
import { restWorldPose, type Skeleton } from '../skeleton/skeleton.ts';
import { anatomicalFrames, canonicalPosture, limbEndPoint, type MeasuredAnatomy } from './anatomy.ts';

/** How a figure's joints are turned when it stands in the canonical posture (the T-pose of the VRM 1.0 standard). */
export interface Alignment {
  /**
   * World rotation of each joint in the canonical posture, xyzw, jointCount × 4. A joint without a role keeps its
   * rest rotation relative to the nearest joint above it that has one.
   */
  posture: Float64Array;
  /** Upper and lower segment lengths of each limb (order of LIMBS), metres, 4 × 2; zero where a limb is missing. */
  limbLengths: Float64Array;
  /** Where each limb ends, in the frame of its lower joint: hand or foot joint, else the tip of the segment; 4 × 3. */
  limbEnds: Float64Array;
  /** Height of each ankle joint above its sole in the canonical posture, metres: left, right. */
  ankleHeights: Float64Array;
  /** Flexion axis of each limb's middle joint (knee, elbow) in the frame of the upper joint, unit, 4 × 3. */
  hinges: Float64Array;
}

/** Flexion axes in the canonical posture: a knee takes the shin back, an elbow the forearm forward. */
export const CANONICAL_HINGES = {
  leftLeg: Float64Array.of(1, 0, 0),
  rightLeg: Float64Array.of(1, 0, 0),
  leftArm: Float64Array.of(0, -1, 0),
  rightArm: Float64Array.of(0, 1, 0),
} as const;

/**
 * Aligns a figure that stands in its reference pose with the canonical posture.
 *
 * @param skeleton  world space (metres, Y up, facing +Z)
 * @param measured  what the figure's motion told about it (see `measureSoles`); a character at rest has none
 * @param ankleHeights  left and right, metres; as measured on the mesh or over a clip
 * Allocates its result; throws nothing.
 */
export function alignFigure(
  skeleton: Skeleton,
  body: Body,
  ankleHeights: readonly [number, number],
  measured?: MeasuredAnatomy,
): Alignment {
  const pose = restWorldPose(skeleton);
  const frames = anatomicalFrames(skeleton, pose, body, measured);
  const posture = canonicalPosture(skeleton, pose, body, frames);
  const limbLengths = new Float64Array(8);
  const limbEnds = new Float64Array(12);
  const hinges = new Float64Array(12);
  LIMBS.forEach((limb, i) => {
    const { side, kind, upper, lower } = LIMB_PARTS[limb];
    const upperJoint = body.roles[sidedRole(side, upper)];
    const lowerJoint = body.roles[sidedRole(side, lower)];
    if (upperJoint === undefined || lowerJoint === undefined) return;
    rotateVecInverse(hinges, i * 3, posture, upperJoint * 4, CANONICAL_HINGES[limb], 0);
    limbLengths[i * 2] = distanceVec(pose.positions, upperJoint * 3, pose.positions, lowerJoint * 3);
    const end = limbEndPoint(skeleton, pose, body.roles, side, kind);
    if (end === null) return;
    limbLengths[i * 2 + 1] = distanceVec(pose.positions, lowerJoint * 3, end, 0);
    for (let k = 0; k < 3; k++) end[k]! -= pose.positions[lowerJoint * 3 + k]!;
    rotateVecInverse(limbEnds, i * 3, pose.rotations, lowerJoint * 4, end, 0);
  });
  return { posture, limbLengths, limbEnds, ankleHeights: Float64Array.from(ankleHeights), hinges };
}

/** Mean length of the legs (thigh and shin), metres; 0 when the figure has none. */
export function legLength(alignment: Alignment): number {
  return meanLength(alignment.limbLengths, 0);
}

/** Mean length of the arms (upper arm and forearm), metres; 0 when the figure has none. */
export function armLength(alignment: Alignment): number {
  return meanLength(alignment.limbLengths, 4);
}

function meanLength(lengths: Float64Array, from: number): number {
  const left = lengths[from]! + lengths[from + 1]!;
  const right = lengths[from + 2]! + lengths[from + 3]!;
  if (left === 0 || right === 0) return left + right;
  return (left + right) / 2;
}
