import { rotateVec, rotateVecInverse } from '../math/quat.ts';
import { crossVec, distanceVec, dotVec, lengthVec, normalizeVec, subVec } from '../math/vec.ts';
import type { LimbPlan, RetargetPlan } from '../retarget/plan.ts';
import { type Clip, framePose, restLocalPose } from '../skeleton/clip.ts';
import { createWorldPose, isWithin, restWorldPose } from '../skeleton/skeleton.ts';
import { keyTranslations } from './key-translations.ts';

/** A limb bent by less than the first angle has no direction of its own, from the second on it has (rad, 2 and 12 degrees). */
const PLANE_FROM = 0.035;
const PLANE_TO = 0.21;

/** A pole target and the limb that it leads. */
export interface PolePlan {
  joint: number;
  limb: LimbPlan;
}

/** Which limb each pole target leads: the one whose knee or elbow it is nearest to in the rest pose. */
export function findPoles({ target, limbs }: RetargetPlan): PolePlan[] {
  const { positions } = restWorldPose(target.skeleton);
  const poles = target.body.helpers.filter(({ kind }) => kind === 'pole').map(({ joint }) => joint);
  const best = new Map<LimbPlan, { joint: number; distance: number }>();
  for (const joint of poles) {
    const ranked = limbs
      .map((limb) => ({ limb, distance: distanceVec(positions, joint * 3, positions, limb.dstLower * 3) }))
      .sort((a, b) => a.distance - b.distance);
    const nearest = ranked[0];
    if (!nearest || isWithin(target.skeleton, nearest.limb.dstUpper, joint)) continue;
    const other = best.get(nearest.limb);
    if (!other || nearest.distance < other.distance) best.set(nearest.limb, { joint, distance: nearest.distance });
  }
  return [...best].map(([limb, { joint }]) => ({ joint, limb }));
}

/**
 * Places pole targets: pole = knee or elbow + direction × limb length, with the direction in which the middle joint stands
 * off the line from root to end, or, where the limb is straight, the one in which its hinge opens. An IK solver that
 * runs again in the modelling package then bends the limb as the keys do.
 *
 * @param clip  the target's motion in world space; not touched
 * @returns the clip with translation keys for the poles; the very same one where the rig has none
 */
export function placePoles(plan: RetargetPlan, clip: Clip): Clip {
  const poles = findPoles(plan);
  if (poles.length === 0) return clip;
  const { skeleton, alignment } = plan.target;
  const out = keyTranslations(
    clip,
    skeleton,
    poles.map(({ joint }) => joint),
  );
  const local = restLocalPose(skeleton);
  const pose = createWorldPose(skeleton.jointCount);
  const { positions, rotations } = pose;
  const line = new Float64Array(3);
  const end = new Float64Array(3);
  const off = new Float64Array(3);
  const open = new Float64Array(3);
  const row = out.translationJoints.length;
  const index = poles.map(({ joint }) => out.translationJoints.indexOf(joint));
  for (let f = 0; f < clip.frameCount; f++) {
    framePose(skeleton, clip, f, local, pose);
    poles.forEach(({ joint, limb }, i) => {
      const { dstUpper, dstLower, dstEnd, length } = limb;
      if (dstEnd >= 0) end.set(positions.subarray(dstEnd * 3, dstEnd * 3 + 3));
      else {
        rotateVec(end, 0, rotations, dstLower * 4, alignment.limbEnds, limb.limb * 3);
        for (let k = 0; k < 3; k++) end[k]! += positions[dstLower * 3 + k]!;
      }
      subVec(line, 0, end, 0, positions, dstUpper * 3);
      normalizeVec(line, 0);
      subVec(off, 0, positions, dstLower * 3, positions, dstUpper * 3);
      const upper = lengthVec(off, 0);
      const along = dotVec(off, 0, line, 0);
      for (let k = 0; k < 3; k++) off[k]! -= along * line[k]!;
      const aside = normalizeVec(off, 0);
      rotateVec(open, 0, rotations, dstUpper * 4, alignment.hinges, limb.limb * 3);
      crossVec(open, 0, line, 0, open, 0);
      normalizeVec(open, 0);
      const bend = upper > 0 ? 2 * Math.asin(Math.min(1, aside / upper)) : 0;
      const u = Math.max(0, Math.min(1, (bend - PLANE_FROM) / (PLANE_TO - PLANE_FROM)));
      const own = u * u * (3 - 2 * u);
      for (let k = 0; k < 3; k++) off[k] = own * off[k]! + (1 - own) * open[k]!;
      normalizeVec(off, 0);
      for (let k = 0; k < 3; k++) off[k] = positions[dstLower * 3 + k]! + length * off[k]!;
      const p = skeleton.parents[joint]!;
      if (p >= 0) {
        subVec(off, 0, off, 0, positions, p * 3);
        rotateVecInverse(off, 0, rotations, p * 4, off, 0);
      }
      out.translations.set(off, (f * row + index[i]!) * 3);
    });
  }
  return out;
}
