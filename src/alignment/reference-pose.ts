import { dotVec, normalizeVec, subVec } from '../math/vec.ts';
import { type RoleMap, sidedRole } from '../pairing/roles.ts';
import { type Clip, framePose, readFrame, restLocalPose } from '../skeleton/clip.ts';
import { SIDES } from '../skeleton/side.ts';
import { createWorldPose, restWorldPose, type Skeleton, type WorldPose } from '../skeleton/skeleton.ts';

/** From this error on a rest pose is no human posture (rad): trunk and thighs then point the same way, or limbs fold. */
const NO_POSTURE = (75 * Math.PI) / 180;
/** Frames of a clip that are tried as a reference pose. */
const CANDIDATES = 200;

/**
 * How far a pose is from any upright human posture, in radians: the mean angle between each thigh and shin and the
 * trunk turned upside down, and between forearm and upper arm. 0 for a figure that stands straight, whatever its arms do.
 * It needs no up axis and no facing. Returns 0 when no limb can be judged.
 */
export function postureError(pose: WorldPose, roles: RoleMap): number {
  const { positions } = pose;
  const line = (from: number | undefined, to: number | undefined): Float64Array | null => {
    if (from === undefined || to === undefined) return null;
    const out = new Float64Array(3);
    subVec(out, 0, positions, to * 3, positions, from * 3);
    return normalizeVec(out, 0) > 0 ? out : null;
  };
  const angles: number[] = [];
  const compare = (a: Float64Array | null, b: Float64Array | null, sign: 1 | -1): void => {
    if (a && b) angles.push(Math.acos(Math.max(-1, Math.min(1, sign * dotVec(a, 0, b, 0)))));
  };
  const trunk = line(roles.hips, roles.head ?? roles.neck);
  for (const side of SIDES) {
    const joint = (part: 'UpperLeg' | 'LowerLeg' | 'Foot' | 'UpperArm' | 'LowerArm' | 'Hand'): number | undefined =>
      roles[sidedRole(side, part)];
    const thigh = line(joint('UpperLeg'), joint('LowerLeg'));
    compare(thigh, trunk, -1);
    compare(line(joint('LowerLeg'), joint('Foot')), trunk, -1);
    compare(line(joint('UpperArm'), joint('LowerArm')), line(joint('LowerArm'), joint('Hand')), 1);
  }
  return angles.length === 0 ? 0 : angles.reduce((sum, angle) => sum + angle, 0) / angles.length;
}

/**
 * The frame of a clip that is to stand in for the rest pose, or null where the rest pose is a posture: in some files the
 * zero pose only lists bone lengths, all along one axis, and says nothing about how a body stands.
 */
export function standInFrame(skeleton: Skeleton, clip: Clip, roles: RoleMap): number | null {
  if (postureError(restWorldPose(skeleton), roles) < NO_POSTURE || clip.frameCount === 0) return null;
  const local = restLocalPose(skeleton);
  const pose = createWorldPose(skeleton.jointCount);
  const step = Math.max(1, Math.floor(clip.frameCount / CANDIDATES));
  let best = 0;
  let least = Number.POSITIVE_INFINITY;
  for (let f = 0; f < clip.frameCount; f += step) {
    framePose(skeleton, clip, f, local, pose);
    const error = postureError(pose, roles);
    if (error < least) {
      least = error;
      best = f;
    }
  }
  return best;
}

/** The same skeleton with the pose of one frame as its rest pose. Motion on it plays as before. */
export function withRestFrame(skeleton: Skeleton, clip: Clip, frame: number): Skeleton {
  const pose = restLocalPose(skeleton);
  readFrame(clip, frame, pose);
  return { ...skeleton, restRotations: pose.rotations, restTranslations: pose.translations };
}
