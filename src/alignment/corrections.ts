import { axisAngleQuat, identityQuat, mulQuat, rotateVecInverse } from '../math/quat.ts';
import { crossVec, lengthVec, normalizeVec } from '../math/vec.ts';
import type { Body } from '../pairing/body.ts';
import type { Correction } from '../pairing/mapping.ts';
import { ROLES, type Role, sidedRole, sideOf } from '../pairing/roles.ts';
import { LIMB_PARTS, LIMBS } from '../skeleton/limb.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';
import { type Alignment, CANONICAL_HINGES } from './alignment.ts';

/** Directions that the angles of a correction are measured in, unit, in the canonical posture. */
interface Directions {
  /** From the joint along its segment. */
  along: readonly [number, number, number];
  forward: readonly [number, number, number];
  outward: readonly [number, number, number];
}

/**
 * What "forward" and "outward" mean for a role, in the T-pose:
 *
 * | roles | along | forward | outward |
 * | --- | --- | --- | --- |
 * | thigh, shin | down | forward | away from the other leg (abduction) |
 * | clavicle, arm, hand, fingers | to its side | forward | up (abduction) |
 * | hips, spine, neck, head | up | forward | to the character's left |
 * | foot, toes, jaw, eyes | forward | up | away from the other foot; jaw to the left |
 */
export function correctionDirections(role: Role): Directions {
  const x = sideOf(role) === 'right' ? -1 : 1;
  if (/(UpperLeg|LowerLeg)$/.test(role)) return { along: [0, -1, 0], forward: [0, 0, 1], outward: [x, 0, 0] };
  if (/(Foot|Toes|Eye)$|^jaw$/.test(role)) return { along: [0, 0, 1], forward: [0, 1, 0], outward: [x, 0, 0] };
  if (sideOf(role) !== null) return { along: [x, 0, 0], forward: [0, 0, 1], outward: [0, 1, 0] };
  return { along: [0, 1, 0], forward: [0, 0, 1], outward: [1, 0, 0] };
}

/**
 * Rotation of a correction in the canonical posture, xyzw: twist first, then one swing about an axis square to the
 * segment. A swing of [forward, outward] takes the far end of the segment that way by so many degrees; a positive twist
 * turns the front of the segment (the top of a foot) outward. Mirrored corrections mirror the posture.
 */
export function correctionRotation(role: Role, { swing = [0, 0], twist = 0 }: Correction): Float64Array {
  const directions = correctionDirections(role);
  const along = Float64Array.from(directions.along);
  const forward = Float64Array.from(directions.forward);
  const outward = Float64Array.from(directions.outward);
  const axis = new Float64Array(3);
  const part = new Float64Array(3);
  crossVec(axis, 0, along, 0, forward, 0);
  crossVec(part, 0, along, 0, outward, 0);
  for (let k = 0; k < 3; k++) axis[k] = ((axis[k]! * swing[0] + part[k]! * swing[1]) * Math.PI) / 180;
  const angle = lengthVec(axis, 0);
  const out = new Float64Array(4);
  identityQuat(out, 0);
  if (normalizeVec(axis, 0) > 0) axisAngleQuat(out, 0, axis[0]!, axis[1]!, axis[2]!, angle);
  crossVec(part, 0, forward, 0, outward, 0);
  const turn = new Float64Array(4);
  axisAngleQuat(turn, 0, part[0]!, part[1]!, part[2]!, (twist * Math.PI) / 180);
  mulQuat(out, 0, out, 0, turn, 0);
  return out;
}

/**
 * An alignment whose canonical posture is corrected by hand: posture' = correction · posture for the joint of the role
 * and for joints without a role that hang from it. On the target this turns the segment by so much in every frame, in
 * the frame of the performer's segment; what hangs below keeps its own direction. A hand that has to reach the
 * performer's place (reach 1) still does: the elbow gives.
 *
 * @param skeleton  the one that was aligned
 * Allocates its result; roles that the body lacks are passed over. Throws nothing.
 */
export function correctAlignment(
  alignment: Alignment,
  skeleton: Skeleton,
  body: Body,
  corrections: Partial<Record<Role, Correction>>,
): Alignment {
  const posture = alignment.posture.slice();
  const roleOf = new Map<number, Role>();
  for (const role of ROLES) if (body.roles[role] !== undefined) roleOf.set(body.roles[role]!, role);
  const rotationOf: (Float64Array | undefined)[] = new Array(skeleton.jointCount);
  for (let j = 0; j < skeleton.jointCount; j++) {
    const role = roleOf.get(j);
    const above = skeleton.parents[j]!;
    const correction = role && corrections[role];
    if (correction) rotationOf[j] = correctionRotation(role, correction);
    else if (role === undefined && above >= 0) rotationOf[j] = rotationOf[above];
    const rotation = rotationOf[j];
    if (rotation) mulQuat(posture, j * 4, rotation, 0, posture, j * 4);
  }
  // A hinge is where the canonical posture has it, in the frame of the corrected joint.
  const hinges = alignment.hinges.slice();
  LIMBS.forEach((limb, i) => {
    const { side, upper } = LIMB_PARTS[limb];
    const joint = body.roles[sidedRole(side, upper)];
    if (joint !== undefined && rotationOf[joint]) {
      rotateVecInverse(hinges, i * 3, posture, joint * 4, CANONICAL_HINGES[limb], 0);
    }
  });
  return { ...alignment, posture, hinges };
}
