/** Toes bend up where their tip would go through the floor; where they cannot, the ankle makes room for them. */
import { invertQuat, mulQuat, rotateVec } from '../math/quat.ts';
import { clearOf } from './ankle-path.ts';
import { foldAngle } from './fold-angle.ts';
import { pitchTurn } from './foot-turns.ts';
import { createAttitude, headingOf, type LevelFoot } from './level-foot.ts';

/**
 * Toes that come nearer to the floor than this (rad, 20 degrees) begin to give way to it. Toes that gave way at the floor alone
 * changed their pace by up to 14 degrees within a frame of 120 a second where a foot left it, or came down, toes first.
 */
const TOE_CLEARANCE = 0.35;

/**
 * Bends toes up where their tip would go through the floor.
 * @param toes      overwritten
 * @param grounded  1 in contact, 0 away from it, a frame: toes that stand keep no clearance
 * @param turnover  as from `turnoverOf`
 * @param pointed   frames in which the ankle makes room for straight toes; there, toes that point back are lifted backwards,
 *                  not flipped over to the front
 */
export function clearToes(
  toes: Float64Array,
  feet: Float64Array,
  ankleHeights: Float64Array,
  floors: Float64Array,
  grounded: Float64Array,
  level: LevelFoot,
  turnover: Float64Array | null,
  pointed: Uint8Array | null = null,
): void {
  const tip = new Float64Array(3);
  const joint = new Float64Array(3);
  const turn = new Float64Array(4);
  const attitude = createAttitude();
  const undo = new Float64Array(4);
  invertQuat(undo, 0, level.toesPosture!, 0);
  for (let f = 0; f < toes.length / 4; f++) {
    rotateVec(joint, 0, feet, f * 4, level.ball.at, 0);
    rotateVec(tip, 0, toes, f * 4, level.toeEnd!, 0);
    const under = floors[f]! - ankleHeights[f]! - joint[1]!;
    headingOf(attitude, toes, f, undo);
    const along = tip[0]! * attitude.x + tip[2]! * attitude.z;
    // In place of Math.hypot, which boxes its numbers: 100 bytes a foot and frame, a fifth of all garbage of plants.
    const length = Math.sqrt(along * along + tip[1]! * tip[1]!);
    if (length < 1e-9) continue;
    const isPointed = pointed !== null && pointed[f] === 1;
    const back = isPointed && along < 0;
    const least = isPointed ? Math.asin(Math.max(-1, Math.min(1, under / length))) : leastPitch(under / length);
    const pitch = Math.atan2(tip[1]!, back ? -along : along);
    const share = isPointed ? 1 : bendable(pitch, grounded[f]!, turnover ? turnover[f]! : 0);
    const more = share * clearOf(least - pitch, TOE_CLEARANCE * (1 - grounded[f]!));
    if (more <= 0) continue;
    pitchTurn(turn, attitude, back ? -more : more);
    mulQuat(toes, f * 4, turn, 0, toes, f * 4);
  }
}

/**
 * How far toes bend that would have to be clear of the floor. Those that hang straight down, or less, bend up in front of the
 * foot. Those of a foot that is turned over point back, and they bend less and less: not at all where its sole faces up. While
 * a foot turns over they stay straight: they would have to bend and unbend within a frame or two.
 */
function bendable(pitch: number, grounded: number, turnover: number): number {
  const straight = turnover * (1 - grounded);
  return (pitch > -Math.PI / 2 ? 1 : foldAngle(pitch, Math.PI / 2) / pitch) * (1 - straight);
}

/**
 * The higher the joint the less the toes bend, and the more room they need. After four rounds tips were up to 0.6 % of the leg
 * in the floor, where toes just begin to stay straight; to follow it to its end would raise the ankle there within a frame.
 */
const ROUNDS = 6;

/**
 * Raises the heights at which a foot touches the floor by what the tips of toes that do not bend clear of it would be in it.
 * @param supports  of the ankle over the floor, a frame, overwritten
 */
export function makeRoomForTips(
  supports: Float64Array,
  feet: Float64Array,
  toes: Float64Array,
  grounded: Float64Array,
  level: LevelFoot,
  turnover: Float64Array | null,
): void {
  const tip = new Float64Array(3);
  const joint = new Float64Array(3);
  const attitude = createAttitude();
  const undo = new Float64Array(4);
  invertQuat(undo, 0, level.toesPosture!, 0);
  for (let f = 0; f < supports.length; f++) {
    rotateVec(tip, 0, toes, f * 4, level.toeEnd!, 0);
    if (tip[1]! >= 0) continue;
    headingOf(attitude, toes, f, undo);
    const along = tip[0]! * attitude.x + tip[2]! * attitude.z;
    const straight = turnover ? turnover[f]! : 0;
    if (along >= 0 && straight === 0) continue;
    const pitch = Math.atan2(tip[1]!, along);
    const share = bendable(pitch, grounded[f]!, straight);
    if (share === 1) continue;
    const length = Math.sqrt(along * along + tip[1]! * tip[1]!);
    rotateVec(joint, 0, feet, f * 4, level.ball.at, 0);
    for (let round = 0; round < ROUNDS; round++) {
      const height = supports[f]! + joint[1]!;
      const bent = pitch + share * Math.max(0, leastPitch(-height / length) - pitch);
      supports[f]! += Math.max(0, -(height + length * Math.sin(bent)));
    }
  }
}

/** From here on the arc sine is continued by its tangent, which lies above it: it ends with an infinite slope. */
const STEEP = -0.8;

/** Pitch of toes of length 1 whose tip is on a floor at this height under their joint. */
function leastPitch(under: number): number {
  if (under > STEEP) return Math.asin(Math.min(1, under));
  return Math.asin(STEEP) + (under - STEEP) / Math.sqrt(1 - STEEP * STEEP);
}
