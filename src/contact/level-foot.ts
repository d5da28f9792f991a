import { axisAngleQuat, invertQuat, mulQuat, rotateVec } from '../math/quat.ts';
import type { LimbPlan, RetargetPlan } from '../retarget/plan.ts';
import type { Sole } from './sole.ts';

/** A point of the foot that meets the floor, from the ankle, in the frame of the foot joint. */
export interface SupportPoint {
  at: Float64Array;
  /** How high the point is while what it carries lies on the floor, metres: a toes joint is inside the foot. */
  height: number;
}

/** The target's foot standing level, heading +Z. */
export interface LevelFoot {
  /** World rotation of the foot joint, and its inverse. */
  posture: Float64Array;
  undo: Float64Array;
  /** Turn that brought the measured sole level: the toes take it too. */
  turn: Float64Array;
  /** World rotation of the toes joint; null where the foot does not roll over toes. */
  toesPosture: Float64Array | null;
  /** What stays in place while the foot rests on its heel and on its ball. */
  heel: SupportPoint;
  ball: SupportPoint;
  /** Other points on which a stiff foot may turn while its ball rests, from its front end back to its ball. */
  turningPoints: readonly SupportPoint[];
  /** All points that can come lowest. */
  support: readonly SupportPoint[];
  /** Front end of the tread from the toes joint, in its frame; null where the foot does not roll over toes. */
  toeEnd: Float64Array | null;
}

/**
 * Toes that lie on the floor hold their joint where it is: the foot pivots about that joint, not about the sole below it,
 * or the toes would slide by the joint's height. A foot without toes, or with a toes joint that is not near the ball (some
 * rigs have it below the ankle), is stiff and rolls over the front end of its tread. A leg without a foot has one point to
 * stand on, the end of its shin, and turns on it.
 */
export function levelFoot(plan: RetargetPlan, limb: LimbPlan, sole: Sole): LevelFoot {
  const joint = limb.dstEnd >= 0 ? limb.dstEnd : limb.dstLower;
  const posture = plan.target.alignment.posture.slice(joint * 4, joint * 4 + 4);
  const undo = new Float64Array(4);
  const turn = Float64Array.of(0, 0, 0, 1);
  if (limb.dstEnd < 0) {
    const end = plan.target.alignment.limbEnds.slice(limb.limb * 3, limb.limb * 3 + 3);
    const corner = (at: readonly number[]) => ({ at: Float64Array.from(at, (v, k) => v - end[k]!), height: 0 });
    invertQuat(undo, 0, posture, 0);
    const pivot = { at: new Float64Array(3), height: 0 };
    const support = [pivot, corner(sole.rear), corner(sole.front)];
    return {
      posture,
      undo,
      turn,
      toesPosture: null,
      heel: pivot,
      ball: pivot,
      turningPoints: [],
      support,
      toeEnd: null,
    };
  }
  levelTurn(turn, posture, sole);
  mulQuat(posture, 0, turn, 0, posture, 0);
  invertQuat(undo, 0, posture, 0);
  const world = new Float64Array(3);
  const heightOf = (at: Float64Array): number => {
    rotateVec(world, 0, posture, 0, at, 0);
    return world[1]!;
  };
  const tread = [sole.rear, sole.heel, sole.ball, sole.front].map((at) => Float64Array.from(at));
  const rollsOverToes = toesAtBall(plan, limb, sole);
  const soleHeight = Math.min(...(rollsOverToes ? tread.slice(0, 3) : tread).map(heightOf));
  const point = (at: Float64Array): SupportPoint => ({ at, height: 0 });
  const heel = point(tread[0]!);
  let ball = point(tread[3]!);
  let support = tread.map(point);
  let toesPosture: Float64Array | null = null;
  let toeEnd: Float64Array | null = null;
  if (rollsOverToes) {
    const at = plan.restOffsets.slice(limb.dstToes * 3, limb.dstToes * 3 + 3);
    ball = { at, height: heightOf(at) - soleHeight };
    support = [heel, point(tread[1]!), ball];
    toesPosture = plan.target.alignment.posture.slice(limb.dstToes * 4, limb.dstToes * 4 + 4);
    mulQuat(toesPosture, 0, turn, 0, toesPosture, 0);
    toeEnd = Float64Array.from(sole.frontInToes!);
  }
  const turningPoints = rollsOverToes
    ? []
    : [0.25, 0.5, 0.75, 1].map((t) => point(tread[3]!.map((v, k) => v + t * (tread[2]![k]! - v))));
  return { posture, undo, turn, toesPosture, heel, ball, turningPoints, support, toeEnd };
}

/** From one point to another on the floor while the foot is level and heads for +Z: x and z. */
export function strideBetween({ posture }: LevelFoot, from: SupportPoint, to: SupportPoint): [number, number] {
  const stride = Float64Array.from(to.at, (v, k) => v - from.at[k]!);
  rotateVec(stride, 0, posture, 0, stride, 0);
  return [stride[0]!, stride[2]!];
}

/** Turn that puts heel and ball of the sole at one height: about the level axis square to the foot. */
function levelTurn(out: Float64Array, posture: Float64Array, sole: Sole): void {
  const stride = Float64Array.from(sole.ball, (v, k) => v - sole.heel[k]!);
  rotateVec(stride, 0, posture, 0, stride, 0);
  const level = Math.hypot(stride[0]!, stride[2]!);
  if (level <= 0.2 * Math.hypot(level, stride[1]!)) return;
  const tilt = Math.atan2(stride[1]!, level);
  axisAngleQuat(out, 0, -stride[2]! / level, 0, stride[0]! / level, -tilt);
}

/** Farthest that a toes joint may lie from the ball and still be one, along the foot: share of the foot's length. */
const TOES_OFF_BALL = 0.2;

function toesAtBall(plan: RetargetPlan, limb: LimbPlan, sole: Sole): boolean {
  if (limb.dstToes < 0 || sole.toesJoint !== limb.dstToes || sole.frontInToes === null) return false;
  let along = 0;
  for (let k = 0; k < 3; k++) {
    along += (plan.restOffsets[limb.dstToes * 3 + k]! - sole.ball[k]!) * (sole.toeTip[k]! - sole.heel[k]!);
  }
  return Math.abs(along) < TOES_OFF_BALL * sole.length * sole.length;
}

/** Height of the ankle over the floor at which the lowest point of a foot with world rotation `feet[f]` touches it. */
export function supportHeight(level: LevelFoot, feet: Float64Array, f: number): number {
  const i = f * 4;
  const x = feet[i]!;
  const y = feet[i + 1]!;
  const z = feet[i + 2]!;
  const w = feet[i + 3]!;
  // Second row of the rotation matrix: the height of a turned vector.
  const rx = 2 * (x * y + w * z);
  const ry = 1 - 2 * (x * x + z * z);
  const rz = 2 * (y * z - w * x);
  let height = Number.NEGATIVE_INFINITY;
  for (const point of level.support) {
    const over = point.height - (rx * point.at[0]! + ry * point.at[1]! + rz * point.at[2]!);
    if (over > height) height = over;
  }
  return height;
}

/** How a foot is turned: its heading, horizontal and unit, and its pitch about the axis to its left, toes up positive. */
export interface Attitude {
  x: number;
  z: number;
  pitch: number;
}

export function createAttitude(): Attitude {
  return { x: 0, z: 1, pitch: 0 };
}

/**
 * Reads the attitude off the axis to the left, which stays level when a foot points straight down, where its long axis
 * tells no heading. A foot that lies on its side has none: then the last heading is kept.
 * @param undo  inverse of the level posture
 */
export function attitudeOf(out: Attitude, rotations: Float64Array, f: number, undo: Float64Array): void {
  readAttitude(out, rotations, f, undo, true);
}

/** The same without the pitch, which is left as it was: an arc tangent less. */
export function headingOf(out: Attitude, rotations: Float64Array, f: number, undo: Float64Array): void {
  readAttitude(out, rotations, f, undo, false);
}

function readAttitude(out: Attitude, rotations: Float64Array, f: number, undo: Float64Array, pitched: boolean): void {
  // The turn from the level posture, rotation · undo. In plain numbers: this is read in every frame, several times.
  const i = f * 4;
  const ax = rotations[i]!;
  const ay = rotations[i + 1]!;
  const az = rotations[i + 2]!;
  const aw = rotations[i + 3]!;
  const bx = undo[0]!;
  const by = undo[1]!;
  const bz = undo[2]!;
  const bw = undo[3]!;
  const x = aw * bx + ax * bw + ay * bz - az * by;
  const y = aw * by - ax * bz + ay * bw + az * bx;
  const z = aw * bz + ax * by - ay * bx + az * bw;
  const w = aw * bw - ax * bx - ay * by - az * bz;
  // First column of its rotation matrix: the axis to the left.
  const sideX = 1 - 2 * (y * y + z * z);
  const sideZ = 2 * (x * z - w * y);
  const level = Math.sqrt(sideX * sideX + sideZ * sideZ);
  if (level > 1e-6) {
    out.x = -sideZ / level;
    out.z = sideX / level;
  }
  if (!pitched) return;
  // Third column: the axis ahead.
  const aheadX = 2 * (x * z + w * y);
  const aheadY = 2 * (y * z - w * x);
  const aheadZ = 1 - 2 * (x * x + y * y);
  out.pitch = Math.atan2(aheadY, aheadX * out.x + aheadZ * out.z);
}
