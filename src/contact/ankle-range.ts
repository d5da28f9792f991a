/**
 * Keeps ankles in their range where the foot is free to turn. A foot turns in space as the performer's does, but the shin of a
 * figure with other proportions does not lean as the performer's: in a deeply bent leg they are up to 40 degrees apart, and a
 * long foot that is lifted less adds to it. What the ankle is bent beyond its range, and beyond the performer's, is taken out
 * by pitching the foot: in the air, and with its heel up while its ball rests. A flat foot is set level afterwards.
 *
 * Tried besides, for flat feet: the pelvis raised until the shin leans no further than the ankle may (in `nearest` of the
 * reach). Of 15 pairs of real rigs and clips whose ankles, knees or hips left their ranges two passed more, but the pelvis then
 * went as far as it may, and four pairs slid or left their plants.
 */
import { axisAngleQuat, copyQuat, invertQuat, mulQuat } from '../math/quat.ts';
import { copyVec } from '../math/vec.ts';
import type { LimbPlan, RetargetPlan } from '../retarget/plan.ts';
import type { Clip } from '../skeleton/clip.ts';
import { LOADED_DORSIFLEXION, RANGES_OF_MOTION } from '../skeleton/joint-ranges.ts';
import { createPartialPose, readPartialPose } from '../skeleton/partial-pose.ts';
import { foldAngle } from './fold-angle.ts';
import type { LegTrack } from './leg-track.ts';
import type { LevelFoot } from './level-foot.ts';

const DEGREE = Math.PI / 180;
const DORSIFLEXION = LOADED_DORSIFLEXION * DEGREE;
const PLANTARFLEXION = -RANGES_OF_MOTION.ankleFlexion.min * DEGREE;
/** What an ankle leans to its toes, and back, against the height of its shin, when it is well within them. */
const AHEAD = 0.999 * Math.tan(DORSIFLEXION);
const BEHIND = -0.999 * Math.tan(PLANTARFLEXION);
/** What an ankle is bent beyond its range approaches this (rad) and never passes it, continuous in value and slope. */
const SOFT = 8 * DEGREE;
/** An ankle that is bent farther (rad) is bent backwards: no body does that, some captures do, and their feet are left as they are. */
const BENT = (2 * Math.PI) / 3;
/** A shin that lies less than this in the plane of its foot (share of its length) tells no dorsiflexion. */
const IN_PLANE = 0.5;

/**
 * @param feet  world rotations, frames × 4, overwritten
 * @param toes  the same of the toes joint, which goes along; null where the foot has none
 */
export function keepAnkleRange(
  plan: RetargetPlan,
  clip: Clip,
  leg: LegTrack,
  level: LevelFoot,
  feet: Float64Array,
  toes: Float64Array | null,
): void {
  const { limb, knees, ankles } = leg;
  const count = feet.length / 4;
  const lean = new Float64Array(3);
  let performer: ((f: number) => number) | null = null;
  for (let f = 0; f < count; f++) {
    leanOf(lean, knees, ankles, feet, f, level.undo);
    // Most ankles are; that is told without an arc tangent.
    if (lean[0]! > 0 && lean[1]! < AHEAD * lean[0]! && lean[1]! > BEHIND * lean[0]!) continue;
    const flexion = flexionOf(lean);
    const folded = foldAngle(flexion, BENT);
    if (folded <= DORSIFLEXION && folded >= -PLANTARFLEXION) continue;
    performer ??= performerFlexion(plan, clip, limb, leg.feet);
    const more = foldAngle(shorterTurn(flexion - performer(f)), Math.PI / 2);
    const angle = surplus(Math.min(-PLANTARFLEXION - folded, -more)) - surplus(Math.min(folded - DORSIFLEXION, more));
    if (angle === 0) continue;
    pitch(turn, feet, f * 4, level.undo, angle);
    mulQuat(feet, f * 4, turn, 0, feet, f * 4);
    if (toes) mulQuat(toes, f * 4, turn, 0, toes, f * 4);
  }
}

/** The same turn without whole ones. */
function shorterTurn(angle: number): number {
  return angle - 2 * Math.PI * Math.round(angle / (2 * Math.PI));
}

/** What of an excess is taken out. */
function surplus(excess: number): number {
  return excess > 0 ? excess - SOFT * (1 - Math.exp(-excess / SOFT)) : 0;
}

/**
 * How the shin leans, in the frame of the foot: out of the instep and to the toes, metres, and its length squared.
 * @param undo  inverse of the joint's rotation when the foot is level and heads for +Z
 */
function leanOf(
  out: Float64Array,
  knees: Float64Array,
  ankles: Float64Array,
  feet: Float64Array,
  f: number,
  undo: Float64Array,
): void {
  mulQuat(turn, 0, feet, f * 4, undo, 0);
  const x = turn[0]!;
  const y = turn[1]!;
  const z = turn[2]!;
  const w = turn[3]!;
  const sx = knees[f * 3]! - ankles[f * 3]!;
  const sy = knees[f * 3 + 1]! - ankles[f * 3 + 1]!;
  const sz = knees[f * 3 + 2]! - ankles[f * 3 + 2]!;
  // Second and third column of the rotation matrix: out of the instep, and to the toes.
  out[0] = 2 * (x * y - w * z) * sx + (1 - 2 * (x * x + z * z)) * sy + 2 * (y * z + w * x) * sz;
  out[1] = 2 * (x * z + w * y) * sx + 2 * (y * z - w * x) * sy + (1 - 2 * (x * x + y * y)) * sz;
  out[2] = sx * sx + sy * sy + sz * sz;
}

const turn = new Float64Array(4);

/** Dorsiflexion, radians, 0 with the sole square to the shin: by how much it leans to the toes, seen from the foot's side. */
function flexionOf(lean: Float64Array): number {
  const up = lean[0]!;
  const ahead = lean[1]!;
  const inPlane = Math.sqrt((up * up + ahead * ahead) / lean[2]!);
  return inPlane > 0 ? Math.atan2(ahead, up) * Math.min(1, inPlane / IN_PLANE) : 0;
}

/**
 * The performer's in a frame, 0 where it has no ankle: in the plain retarget its foot is the target's, both counted from the
 * canonical posture. Few frames are asked for; to follow the performer's legs through all of them took 13 % of the time of
 * plants.
 */
function performerFlexion(
  { source, target }: RetargetPlan,
  clip: Clip,
  { srcLower, srcEnd, dstEnd }: LimbPlan,
  feet: Float64Array,
): (f: number) => number {
  if (srcEnd < 0 || srcLower < 0) return () => 0;
  const partial = createPartialPose(source.skeleton, clip, [srcLower, srcEnd]);
  const undo = new Float64Array(4);
  invertQuat(undo, 0, target.alignment.posture, dstEnd * 4);
  const knee = new Float64Array(3);
  const ankle = new Float64Array(3);
  const foot = new Float64Array(4);
  const lean = new Float64Array(3);
  return (f) => {
    const { positions } = readPartialPose(partial, f);
    copyVec(knee, 0, positions, srcLower * 3);
    copyVec(ankle, 0, positions, srcEnd * 3);
    copyQuat(foot, 0, feet, f * 4);
    leanOf(lean, knee, ankle, foot, 0, undo);
    return flexionOf(lean);
  };
}

/** The rotation that raises the toes of a foot by an angle, about the foot's own axis to its right. */
function pitch(out: Float64Array, feet: Float64Array, i: number, undo: Float64Array, angle: number): void {
  mulQuat(out, 0, feet, i, undo, 0);
  const x = out[0]!;
  const y = out[1]!;
  const z = out[2]!;
  const w = out[3]!;
  axisAngleQuat(out, 0, 2 * (y * y + z * z) - 1, -2 * (x * y + w * z), -2 * (x * z - w * y), angle);
}
