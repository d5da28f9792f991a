import { mulInverseQuat, mulQuat, rotateVec, rotateVecInverse } from '../../math/quat.ts';
import { mirrorRole, ROLES, type Role } from '../../pairing/roles.ts';
import type { Actor } from '../../retarget/actor.ts';
import { type Clip, createClip, framePose, restLocalPose } from '../../skeleton/clip.ts';
import { childrenOf, createWorldPose } from '../../skeleton/skeleton.ts';

/**
 * The motion with left and right exchanged: as in a mirror that stands in the plane x = 0 of world space. Rotations are
 * exchanged as turns away from the canonical posture, so joint axes and rest poses need not be mirrored themselves.
 * Joints without a role follow the one that hangs in the same place on the other side; those of the middle mirror
 * themselves. Mirrored twice, the motion is what it was.
 *
 * The input is not touched.
 */
export function mirrorClip(actor: Actor, clip: Clip): Clip {
  const { skeleton, alignment } = actor;
  const { posture } = alignment;
  const { frameCount, jointCount } = clip;
  const partner = mirrorJoints(actor);
  const moving = [...new Set([...clip.translationJoints].flatMap((j) => [j, partner[j]!]))].sort((a, b) => a - b);
  const out = createClip(clip.name, frameCount, clip.frameDuration, jointCount, moving);
  const local = restLocalPose(skeleton);
  const pose = createWorldPose(jointCount);
  const world = new Float64Array(jointCount * 4);
  const turn = new Float64Array(4);
  const undo = new Float64Array(4);
  const place = new Float64Array(3);
  for (let f = 0; f < frameCount; f++) {
    framePose(skeleton, clip, f, local, pose);
    for (let j = 0; j < jointCount; j++) {
      const k = partner[j]! * 4;
      // turn = rotation · posture⁻¹ of the partner, seen in the mirror.
      for (let c = 0; c < 4; c++) undo[c] = (c < 3 ? -1 : 1) * posture[k + c]!;
      mulQuat(turn, 0, pose.rotations, k, undo, 0);
      turn[1]! *= -1;
      turn[2]! *= -1;
      mulQuat(world, j * 4, turn, 0, posture, j * 4);
      const p = skeleton.parents[j]!;
      if (p < 0) turn.set(world.subarray(j * 4, j * 4 + 4));
      else mulInverseQuat(turn, 0, world, p * 4, world, j * 4);
      out.rotations.set(turn, (f * jointCount + j) * 4);
    }
    moving.forEach((j, m) => {
      const k = partner[j]!;
      const p = skeleton.parents[j]!;
      const q = skeleton.parents[k]!;
      // A root is placed in the world; elsewhere the way off the rest offset is mirrored, in the frames of the posture.
      for (let c = 0; c < 3; c++) {
        place[c] = local.translations[k * 3 + c]! - (q < 0 ? 0 : skeleton.restTranslations[k * 3 + c]!);
      }
      if (q >= 0) rotateVec(place, 0, posture, q * 4, place, 0);
      place[0]! *= -1;
      if (p >= 0) {
        rotateVecInverse(place, 0, posture, p * 4, place, 0);
        for (let c = 0; c < 3; c++) place[c]! += skeleton.restTranslations[j * 3 + c]!;
      }
      out.translations.set(place, (f * moving.length + m) * 3);
    });
  }
  return out;
}

/** The joint on the other side, a joint; itself in the middle, and where there is none. */
export function mirrorJoints({ skeleton, body }: Actor): Int16Array {
  const { jointCount, parents } = skeleton;
  const partner = Int16Array.from({ length: jointCount }, (_, j) => j);
  const hasRole = new Set<number>();
  for (const role of ROLES) {
    const joint = body.roles[role];
    const other = body.roles[mirrorRole(role) as Role];
    if (joint === undefined) continue;
    hasRole.add(joint);
    if (other !== undefined) partner[joint] = other;
  }
  const loose = (parent: number): number[] => childrenOf(skeleton, parent).filter((child) => !hasRole.has(child));
  for (let j = 0; j < jointCount; j++) {
    const p = parents[j]!;
    if (hasRole.has(j) || p < 0 || partner[p] === p) continue;
    const own = loose(p);
    const theirs = loose(partner[p]!);
    if (own.length === theirs.length) partner[j] = theirs[own.indexOf(j)]!;
  }
  for (let j = 0; j < jointCount; j++) if (partner[partner[j]!] !== j) partner[j] = j;
  return partner;
}
