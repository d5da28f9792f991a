/** How a planted foot is turned: pitch within what the floor allows, level and of one heading while it is flat. */
import { axisAngleQuat, invertQuat, mulQuat, rotateVec } from '../math/quat.ts';
import { distanceVec } from '../math/vec.ts';
import type { RetargetPlan } from '../retarget/plan.ts';
import { foldAngle } from './fold-angle.ts';
import { type FrameSpan, fadeOutside, quatOfRotationVector, rotationVector } from './hold.ts';
import type { LegTrack } from './leg-track.ts';
import { type Attitude, attitudeOf, createAttitude, headingOf, type LevelFoot } from './level-foot.ts';
import { type Flat, meanHeading, type Rest } from './rests.ts';
import type { Sole } from './sole.ts';
import { easeTurns } from './turnover.ts';

/** Spans in frames. */
export interface Timing {
  /** From a plant back to the performer's path, and before it. */
  ramp: number;
  /** Over which the slope at the edge of a contact is read. */
  edge: number;
}

/**
 * Near the floor (share of leg length over it) a foot's pitch is limited in full, from the second height on not at all. With 0.4
 * for the second, a kick turned a foot of twice the performer's length by 14 degrees in a frame of 120 a second, and then no more.
 */
const LIMIT_BELOW = 0.05;
const LIMIT_ABOVE = 0.55;
/** Up to this pitch (rad, 80 degrees: more than at a toe off) a foot is turned back in full; beyond it less, and not at all when its sole faces up. */
const PITCHED = (4 * Math.PI) / 9;

/**
 * A foot that is long for its leg, or that has no toes to roll over, would lift the ankle far higher than the performer's
 * does at the same pitch. Near the floor heel or toe is lifted as high as the performer's, scaled by the legs, and no
 * higher; a foot high in the air points as the performer's does. Tried before: within contacts only, faded after; the foot
 * then swung after every toe off and went 5.1 % of the leg under the floor (cmu_indian_long on man_casual, 0.65 % with the change alone).
 *
 * @param turnover  as from `turnoverOf`
 * @returns world rotations, frames × 4
 */
export function limitPitch(
  plan: RetargetPlan,
  leg: LegTrack,
  level: LevelFoot,
  sole: Sole,
  sourceSole: Sole,
  turnover: Float64Array | null,
  frameDuration: number,
): Float64Array {
  const { ankles, limb } = leg;
  const feet = leg.feet.slice();
  const toeShare = Math.min(1, (plan.scale * sourceSole.length) / sole.length);
  const lever = distanceVec(level.heel.at, 0, level.ball.at, 0);
  const heelShare = Math.min(
    1,
    (plan.scale * distanceVec(Float64Array.from(sourceSole.heel), 0, Float64Array.from(sourceSole.ball), 0)) / lever,
  );
  if (toeShare === 1 && heelShare === 1) return feet;
  const angles = new Float64Array(feet.length / 4);
  const attitude = createAttitude();
  const vec = new Float64Array(3);
  const heel = Float64Array.from(sole.heel);
  const ball = Float64Array.from(sole.ball);
  for (let f = 0; f < feet.length / 4; f++) {
    rotateVec(vec, 0, feet, f * 4, heel, 0);
    let low = vec[1]!;
    rotateVec(vec, 0, feet, f * 4, ball, 0);
    low = (ankles[f * 3 + 1]! + Math.min(low, vec[1]!)) / limb.length;
    const u = Math.max(0, Math.min(1, (low - LIMIT_BELOW) / (LIMIT_ABOVE - LIMIT_BELOW)));
    const limit = 1 - u * u * (3 - 2 * u);
    if (limit === 0) continue;
    attitudeOf(attitude, feet, f, level.undo);
    const share = attitude.pitch > 0 ? toeShare : heelShare;
    angles[f] = limit * (share - 1) * foldAngle(attitude.pitch, PITCHED);
  }
  if (turnover) easeTurns(angles, turnover, frameDuration);
  pitchFeet(feet, angles, level);
  return feet;
}

/** Raises the toes of feet by some angles, as `pitchTurn`. */
function pitchFeet(feet: Float64Array, angles: Float64Array, level: LevelFoot): void {
  const turn = new Float64Array(4);
  const attitude = createAttitude();
  for (let f = 0; f < angles.length; f++) {
    if (angles[f] === 0) continue;
    headingOf(attitude, feet, f, level.undo);
    pitchTurn(turn, attitude, angles[f]!);
    mulQuat(feet, f * 4, turn, 0, feet, f * 4);
  }
}

/**
 * Turns a foot level in its flat phases and settles their headings; outside them the turn fades. Toes go along.
 * @param feet   world rotations, frames × 4, overwritten
 * @param toes   the same, or null
 * @param turns  scratch, frames × 3
 */
export function levelFlats(
  feet: Float64Array,
  toes: Float64Array | null,
  flats: readonly Flat[],
  level: LevelFoot,
  timing: Timing,
  turns: Float64Array,
): void {
  for (const flat of flats) {
    flat.heading = meanHeading(feet, level.undo, flat.span);
    headFor(goal, level.posture, flat.heading);
    for (let f = flat.span.first; f <= flat.span.last; f++) turnTo(turns, f, feet);
  }
  fadeOutside(turns, disjoint(flats), feet.length / 4, timing.ramp, timing.edge);
  applyTurns(turns, feet, toes);
}

/** Flat phases that follow each other without a frame between are one span. */
function disjoint(flats: readonly Flat[]): FrameSpan[] {
  const spans: FrameSpan[] = [];
  for (const { span } of flats) {
    const before = spans[spans.length - 1];
    if (before && span.first <= before.last + 1) before.last = Math.max(before.last, span.last);
    else spans.push({ ...span });
  }
  return spans;
}

/**
 * A foot that rests on its ball alone has its heel up, one that rests on its heel alone its toes: a pitch to the other side
 * would push the free end through the floor, and is taken out; after the stance that fades.
 * @param feet  world rotations, frames × 4, overwritten
 */
export function clampPitch(
  feet: Float64Array,
  rests: readonly Rest[],
  stands: readonly FrameSpan[],
  level: LevelFoot,
  timing: Timing,
): void {
  const frameCount = feet.length / 4;
  const resting = restingPoints(rests, frameCount);
  let turns: Float64Array | null = null;
  const attitude = createAttitude();
  for (let f = 0; f < frameCount; f++) {
    if (resting[f] !== HEEL && resting[f] !== BALL) continue;
    attitudeOf(attitude, feet, f, level.undo);
    if (attitude.pitch < 0 === (resting[f] === BALL)) continue;
    turns ??= new Float64Array(frameCount * 3);
    const excess = foldAngle(attitude.pitch, PITCHED);
    turns[f * 3] = attitude.z * excess;
    turns[f * 3 + 2] = -attitude.x * excess;
  }
  if (!turns) return;
  fadeOutside(turns, stands, frameCount, timing.ramp, timing.edge);
  applyTurns(turns, feet, null);
}

const HEEL = 1;
const BALL = 2;

/** Which points rest, a frame: HEEL, BALL, both or 0. */
function restingPoints(rests: readonly Rest[], frameCount: number): Uint8Array {
  const resting = new Uint8Array(frameCount);
  for (const { point, span } of rests) {
    for (let f = span.first; f <= span.last; f++) resting[f]! |= point === 'heel' ? HEEL : BALL;
  }
  return resting;
}

/**
 * Toes: level while the ball rests, so that the foot rolls over it; elsewhere as the performer has them.
 * @param toes   world rotations, turned as the foot was, frames × 4, overwritten
 * @param turns  scratch, frames × 3
 */
export function levelToes(
  toes: Float64Array,
  feet: Float64Array,
  rests: readonly Rest[],
  level: LevelFoot,
  timing: Timing,
  turns: Float64Array,
): void {
  const attitude = createAttitude();
  const spans = rests.filter((rest) => rest.point === 'ball').map((rest) => rest.span);
  for (const span of spans) {
    for (let f = span.first; f <= span.last; f++) {
      headingOf(attitude, feet, f, level.undo);
      // With no sign of zero, which would tell −180 from 180 degrees.
      headFor(goal, level.toesPosture!, Math.atan2(attitude.x + 0, attitude.z + 0));
      invertQuat(turned, 0, toes, f * 4);
      mulQuat(turned, 0, turned, 0, goal, 0);
      rotationVector(turns, f * 3, turned, 0);
    }
  }
  fadeOutside(turns, spans, toes.length / 4, timing.ramp, timing.edge);
  bend(toes, turns);
}

/** Turns joints in their own frames: what fades while its foot turns round stays a bend. */
function bend(rotations: Float64Array, turns: Float64Array): void {
  const turn = new Float64Array(4);
  for (let f = 0; f < rotations.length / 4; f++) {
    if (turns[f * 3] === 0 && turns[f * 3 + 1] === 0 && turns[f * 3 + 2] === 0) continue;
    quatOfRotationVector(turn, 0, turns, f * 3);
    mulQuat(rotations, f * 4, rotations, f * 4, turn, 0);
  }
}

/** Toes that are no toes keep their place on the foot. Returns world rotations, frames × 4. */
export function stiffToes(feet: Float64Array, restRotations: Float64Array, joint: number): Float64Array {
  const toes = new Float64Array(feet.length);
  for (let at = 0; at < feet.length; at += 4) mulQuat(toes, at, feet, at, restRotations, joint * 4);
  return toes;
}

/** The rotation that raises the toes of a foot with this heading by an angle: about the axis to its right. */
export function pitchTurn(out: Float64Array, { x, z }: Attitude, angle: number): void {
  axisAngleQuat(out, 0, -z, 0, x, angle);
}

/** Turns what the first holds, and what the second holds too. */
function applyTurns(turns: Float64Array, rotations: Float64Array, more: Float64Array | null): void {
  const turn = new Float64Array(4);
  for (let f = 0; f < rotations.length / 4; f++) {
    if (turns[f * 3] === 0 && turns[f * 3 + 1] === 0 && turns[f * 3 + 2] === 0) continue;
    quatOfRotationVector(turn, 0, turns, f * 3);
    mulQuat(rotations, f * 4, turn, 0, rotations, f * 4);
    if (more) mulQuat(more, f * 4, turn, 0, more, f * 4);
  }
}

const goal = new Float64Array(4);
const turned = new Float64Array(4);

/** Rotation of a joint that has this posture when its figure stands, level and on a heading. */
function headFor(out: Float64Array, posture: Float64Array, heading: number): void {
  axisAngleQuat(out, 0, 0, 1, 0, heading);
  mulQuat(out, 0, out, 0, posture, 0);
}

/** The turn that brings the joint of frame `f` to the goal, as a rotation vector in `turns`. */
function turnTo(turns: Float64Array, f: number, rotations: Float64Array): void {
  invertQuat(turned, 0, rotations, f * 4);
  mulQuat(turned, 0, goal, 0, turned, 0);
  rotationVector(turns, f * 3, turned, 0);
}
