import { mulQuat, rotateVec, rotationBetween } from './quat.ts';
import { addVec, crossVec, dotVec, lengthVec, normalizeVec, scaleVec, subVec } from './vec.ts';

/** Scratch memory of `solveTwoBone`; one for each thread of work. */
export interface TwoBoneScratch {
  readonly upper: Float64Array;
  readonly lower: Float64Array;
  readonly reach: Float64Array;
  readonly aimLine: Float64Array;
  readonly side: Float64Array;
  readonly rest: Float64Array;
  readonly aim: Float64Array;
  readonly turn: Float64Array;
}

export function createTwoBoneScratch(): TwoBoneScratch {
  return {
    upper: new Float64Array(3),
    lower: new Float64Array(3),
    reach: new Float64Array(3),
    aimLine: new Float64Array(3),
    side: new Float64Array(3),
    rest: new Float64Array(3),
    aim: new Float64Array(4),
    turn: new Float64Array(4),
  };
}

/** A limb bent less than the first angle has no plane of its own, from the second on it has (rad, 2 and 12 degrees). */
const PLANE_FROM = 0.035;
const PLANE_TO = 0.21;
/** Bent against its hinge by up to this it counts as straight: capture noise, or a knee locked back (rad, 20 degrees). */
const LOCKED = 0.35;

/**
 * Two-bone inverse kinematics: turns the upper bone about its root and the lower bone about the middle joint so that the
 * end meets the target, by the law of cosines: with bones a, b and distance c the upper bone leaves the line to the target
 * by α, cos α = (a² + c² − b²) / 2ac.
 *
 * The limb keeps the plane in which it is bent. One that is nearly straight, or bent a little against its hinge, bends
 * about `hinge`: a knee that is locked back in the source does not fold the wrong way when it has to give.
 * A target out of reach is met in direction, with the limb straight or folded as far as it goes.
 *
 * @param positions  world positions, stride 3; root, middle and end are offsets into it
 * @param target     world position at `t`
 * @param hinge      world flexion axis, unit, at `h`
 * @param out        receives two world rotations, xyzw: out[0…3] for the upper bone, out[4…7] for the lower;
 *                   each is to be multiplied from the left onto that bone's world rotation
 * Allocates nothing. A limb with a bone of no length is only aimed.
 */
export function solveTwoBone(
  positions: Float64Array,
  root: number,
  middle: number,
  end: number,
  target: Float64Array,
  t: number,
  hinge: Float64Array,
  h: number,
  out: Float64Array,
  scratch: TwoBoneScratch,
): void {
  const { upper, lower, reach, aimLine, side, rest, aim, turn } = scratch;
  subVec(upper, 0, positions, middle, positions, root);
  subVec(lower, 0, positions, end, positions, middle);
  subVec(reach, 0, target, t, positions, root);
  const a = lengthVec(upper, 0);
  const b = lengthVec(lower, 0);
  const c = lengthVec(reach, 0);

  // The whole limb turned so that its end lies on the line to the target.
  addVec(aimLine, 0, upper, 0, lower, 0);
  rotationBetween(aim, 0, aimLine, 0, reach, 0);
  rotateVec(upper, 0, aim, 0, upper, 0);
  rotateVec(lower, 0, aim, 0, lower, 0);
  rotateVec(rest, 0, aim, 0, hinge, h);
  aimLine.set(reach);
  if (normalizeVec(aimLine, 0) === 0) {
    addVec(aimLine, 0, upper, 0, lower, 0);
    if (normalizeVec(aimLine, 0) === 0) aimLine.set(upper);
  }
  if (a === 0 || b === 0) {
    out.set(aim, 0);
    out.set(aim, 4);
    return;
  }

  // Side to which the middle joint stands off that line: its own, or the one the hinge opens to.
  const along = dotVec(upper, 0, aimLine, 0);
  for (let k = 0; k < 3; k++) side[k] = upper[k]! - along * aimLine[k]!;
  const offset = normalizeVec(side, 0);
  crossVec(rest, 0, aimLine, 0, rest, 0);
  if (normalizeVec(rest, 0) > 0) {
    const bend = Math.acos(Math.max(-1, Math.min(1, dotVec(upper, 0, lower, 0) / (a * b))));
    const own =
      offset === 0 ? 0 : dotVec(side, 0, rest, 0) > 0 ? ease(bend, PLANE_FROM, PLANE_TO) : bend > LOCKED ? 1 : 0;
    for (let k = 0; k < 3; k++) side[k] = own * side[k]! + (1 - own) * rest[k]!;
    normalizeVec(side, 0);
  }

  const cosine = c > 0 ? (a * a + c * c - b * b) / (2 * a * c) : 0;
  const away = Math.max(-1, Math.min(1, cosine));
  const up = a * away;
  const off = a * Math.sqrt(1 - away * away);
  for (let k = 0; k < 3; k++) rest[k] = up * aimLine[k]! + off * side[k]!;
  rotationBetween(turn, 0, upper, 0, rest, 0);
  mulQuat(out, 0, turn, 0, aim, 0);
  // The lower bone points from there to the end: where the reach allows it, on the target.
  const length = Math.max(Math.abs(a - b), Math.min(a + b, c));
  scaleVec(aimLine, 0, aimLine, 0, length);
  subVec(rest, 0, aimLine, 0, rest, 0);
  rotationBetween(turn, 0, lower, 0, rest, 0);
  mulQuat(out, 4, turn, 0, aim, 0);
}

/** 0 below `from`, 1 above `to`, smooth in between. */
function ease(value: number, from: number, to: number): number {
  const u = Math.max(0, Math.min(1, (value - from) / (to - from)));
  return u * u * (3 - 2 * u);
}
