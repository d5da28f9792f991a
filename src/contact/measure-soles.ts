import { type RoleMap, sidedRole } from '../pairing/roles.ts';
import { type Clip, framePose, restLocalPose } from '../skeleton/clip.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { createWorldPose, restWorldPose, type Skeleton, type WorldPose } from '../skeleton/skeleton.ts';
import type { SkinMesh } from '../skeleton/skin.ts';
import { distance, footOf, positionOf } from './foot.ts';
import type { FootPoints } from './motion.ts';
import type { Sole } from './sole.ts';
import { soleFromJoints } from './sole-from-joints.ts';
import { soleFromMesh } from './sole-from-mesh.ts';
import { standingFrame } from './standing-frame.ts';
import { footTrajectories } from './trajectories.ts';

/**
 * Heel, ball and toe tip of both feet, fixed in the frame of the foot joint: from the mesh the lowest skinned vertices of
 * foot and toes, behind and in front; without a mesh from the joints and tips. Only the foot joint is asked, so a foot
 * that is not below its shank is as good as any.
 *
 * @param skeleton, skins  in world space (metres, Y up)
 * @param poses  a pose of each side in which that foot stands flat; the rest pose when absent
 * @throws CONTACT_NO_FOOT  where a side has neither a foot nor a lower leg
 */
export function soleOf(
  skeleton: Skeleton,
  roles: RoleMap,
  skins: readonly SkinMesh[] = [],
  poses?: Record<Side, WorldPose>,
): Record<Side, Sole> {
  const rest = poses ?? bothSides(restWorldPose(skeleton));
  const sole = (side: Side) => {
    const foot = footOf(skeleton, roles, side, rest[side]);
    return soleFromMesh(foot, skins) ?? soleFromJoints(foot, poses === undefined);
  };
  return { left: sole('left'), right: sole('right') };
}

/**
 * The same for a figure that has no mesh but moves: each sole is laid out in the frame of the clip in which that foot
 * stands as it usually stands. A zero pose need not be a posture.
 */
export function soleOfMotion(skeleton: Skeleton, clip: Clip, roles: RoleMap): Record<Side, Sole> {
  return soleOf(skeleton, roles, [], {
    left: framePoseAt(skeleton, clip, standingFrame(skeleton, clip, roles, 'left')),
    right: framePoseAt(skeleton, clip, standingFrame(skeleton, clip, roles, 'right')),
  });
}

/** A figure's feet in its own motion: their points, and where these go (`footTrajectories`). */
export interface MovingFeet {
  soles: Record<Side, Sole>;
  points: Record<Side, FootPoints>;
}

/** Soles as they stand in a motion, and their trajectories. Allocates its result; throws what `soleOf` throws. */
export function feetOfMotion(skeleton: Skeleton, clip: Clip, roles: RoleMap): MovingFeet {
  const soles = soleOfMotion(skeleton, clip, roles);
  return { soles, points: footTrajectories(skeleton, clip, soles) };
}

/** Leg length, hip to floor, metres: thigh, shank and the height of the ankle over the sole; the longer leg counts. */
export function legLengthOf(skeleton: Skeleton, roles: RoleMap, sole: Record<Side, Sole>): number {
  const pose = restWorldPose(skeleton);
  let longest = 0;
  for (const side of SIDES) {
    const chain = [sidedRole(side, 'UpperLeg'), sidedRole(side, 'LowerLeg'), sidedRole(side, 'Foot')].map(
      (role) => roles[role],
    );
    let length = sole[side].soleHeight;
    for (let i = 1; i < chain.length; i++) {
      const [above, below] = [chain[i - 1], chain[i]];
      if (above !== undefined && below !== undefined)
        length += distance(positionOf(pose, above), positionOf(pose, below));
    }
    longest = Math.max(longest, length);
  }
  return longest;
}

function bothSides(pose: WorldPose): Record<Side, WorldPose> {
  return { left: pose, right: pose };
}

function framePoseAt(skeleton: Skeleton, clip: Clip, f: number): WorldPose {
  const pose = createWorldPose(skeleton.jointCount);
  framePose(skeleton, clip, f, restLocalPose(skeleton), pose);
  return pose;
}
