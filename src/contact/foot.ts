import { RigproofError } from '../errors.ts';
import { rotateVecInverse, rotateXyz } from '../math/quat.ts';
import { addVec, subVec } from '../math/vec.ts';
import { type RoleMap, sidedRole } from '../pairing/roles.ts';
import type { Side } from '../skeleton/side.ts';
import { isWithin, type Skeleton, type WorldPose } from '../skeleton/skeleton.ts';

export type Vec = [number, number, number];

/**
 * A foot that dips more steeply from ankle to toes points; it does not stand. Stocky figures with high ankles reach 50
 * degrees.
 */
export const DIP_MAX = Math.sin((65 * Math.PI) / 180);

/** A foot in a pose: what both ways of measuring need. World space. */
export interface Foot {
  skeleton: Skeleton;
  pose: WorldPose;
  joint: number;
  lowerLeg: number | null;
  toesJoint: number | null;
  ankle: Vec;
  /** Where the toes begin, and where they end, as far as joints and tips tell. */
  toes: Vec | null;
  tip: Vec | null;
  /** Horizontal, unit. */
  forward: Vec;
  /** Thigh and shank, metres, as twice the thigh; 0 where it is not known. */
  legLength: number;
}

export function footOf(skeleton: Skeleton, roles: RoleMap, side: Side, pose: WorldPose): Foot {
  const lowerLeg = roles[sidedRole(side, 'LowerLeg')] ?? null;
  const upperLeg = roles[sidedRole(side, 'UpperLeg')] ?? null;
  const joint = roles[sidedRole(side, 'Foot')] ?? lowerLeg;
  if (joint === null) {
    throw new RigproofError(
      'CONTACT_NO_FOOT',
      `The figure has neither a ${side} foot nor a ${side} lower leg.`,
      {},
      {
        hint: 'Contacts need legs. Give the missing joint its role in the mapping.',
      },
    );
  }
  const ankle = positionOf(pose, joint);
  const toesJoint = roles[sidedRole(side, 'Toes')] ?? null;
  const toes = toesJoint === null ? null : positionOf(pose, toesJoint);
  const tip = farthest(ankle, [
    ...skeleton.tips
      .filter(
        (t) => isWithin(skeleton, joint, t.joint) || (toesJoint !== null && isWithin(skeleton, toesJoint, t.joint)),
      )
      .map((t) => toWorld(pose, t.joint, [...t.offset])),
  ]);
  const reach = toes ?? tip;
  const facing = facingOf(roles, pose);
  let forward = facing;
  if (reach) {
    const flat: Vec = [reach[0] - ankle[0], 0, reach[2] - ankle[2]];
    const along = Math.hypot(flat[0], flat[2]);
    const dip = Math.abs(reach[1] - ankle[1]) / Math.max(distance(reach, ankle), 1e-9);
    if (along > 1e-6 && dip < DIP_MAX) forward = [flat[0] / along, 0, flat[2] / along];
  }
  let legLength = 0;
  if (upperLeg !== null && lowerLeg !== null) {
    // A shank is about as long as its thigh; a detached foot may stand anywhere.
    legLength = 2 * distance(positionOf(pose, upperLeg), positionOf(pose, lowerLeg));
  }
  return { skeleton, pose, joint, lowerLeg, toesJoint, ankle, toes, tip, forward, legLength };
}

/** Where the body faces, horizontally: square to the line from thigh to thigh. +Z where that is not known. */
function facingOf(roles: RoleMap, pose: WorldPose): Vec {
  const { leftUpperLeg, rightUpperLeg } = roles;
  if (leftUpperLeg === undefined || rightUpperLeg === undefined) return [0, 0, 1];
  const left = positionOf(pose, leftUpperLeg);
  const right = positionOf(pose, rightUpperLeg);
  const [x, z] = [left[0] - right[0], left[2] - right[2]];
  const along = Math.hypot(x, z);
  return along > 1e-6 ? [-z / along, 0, x / along] : [0, 0, 1];
}

export function positionOf(pose: WorldPose, joint: number): Vec {
  return [pose.positions[joint * 3]!, pose.positions[joint * 3 + 1]!, pose.positions[joint * 3 + 2]!];
}

function toWorld(pose: WorldPose, joint: number, local: Vec): Vec {
  const out = new Float64Array(3);
  rotateXyz(out, 0, pose.rotations, joint * 4, ...local);
  addVec(out, 0, out, 0, pose.positions, joint * 3);
  return [out[0]!, out[1]!, out[2]!];
}

export function toLocal(pose: WorldPose, joint: number, world: Vec): Vec {
  const out = Float64Array.from(world);
  subVec(out, 0, out, 0, pose.positions, joint * 3);
  rotateVecInverse(out, 0, pose.rotations, joint * 4, out, 0);
  return [out[0]!, out[1]!, out[2]!];
}

export function distance(a: Vec, b: Vec): number {
  return Math.hypot(a[0] - b[0], a[1] - b[1], a[2] - b[2]);
}

export function unit(v: Vec): Vec {
  const length = Math.max(Math.hypot(...v), 1e-12);
  return [v[0] / length, v[1] / length, v[2] / length];
}

function farthest(from: Vec, points: readonly Vec[]): Vec | null {
  let best: Vec | null = null;
  for (const point of points) if (!best || distance(point, from) > distance(best, from)) best = point;
  return best;
}
