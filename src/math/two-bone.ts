import { copyQuat, mulQuat, rotateVec, rotationBetween } from './quat.ts';
import { subVec } from './vec.ts';

/** Scratch memory of `solveTwoBone`; one for each thread of work. */
export interface TwoBoneScratch {
  readonly upper: Float64Array;
  readonly lower: Float64Array;
  readonly line: Float64Array;
  readonly goal: Float64Array;
  readonly axis: Float64Array;
  readonly aim: Float64Array;
  readonly turn: Float64Array;
}

export function createTwoBoneScratch(): TwoBoneScratch {
  return {
    upper: new Float64Array(3),
    lower: new Float64Array(3),
    line: new Float64Array(3),
    goal: new Float64Array(3),
    axis: new Float64Array(3),
    aim: new Float64Array(4),
    turn: new Float64Array(4),
  };
}

/** A limb bent less than the first angle has no plane of its own, from the second on it has (rad, 2 and 12 degrees). */
const PLANE_FROM = 0.035;
const PLANE_TO = 0.21;
/** Bent against its hinge by up to this it counts as straight: capture noise, or a knee locked back (rad, 20 degrees). */
const LOCKED = 0.35;
// Bends are compared by cosine: most frames then need no arc cosine.
const PLANE_FROM_COSINE = Math.cos(PLANE_FROM);
const PLANE_TO_COSINE = Math.cos(PLANE_TO);
const LOCKED_COSINE = Math.cos(LOCKED);

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
  const { upper, lower, line, goal, axis, aim, turn } = scratch;
  subVec(upper, 0, positions, middle, positions, root);
  subVec(lower, 0, positions, end, positions, middle);
  subVec(line, 0, positions, end, positions, root);
  subVec(goal, 0, target, t, positions, root);

  // The whole limb turned so that its end lies on the line to the target.
  rotationBetween(aim, 0, line, 0, goal, 0);
  rotateVec(upper, 0, aim, 0, upper, 0);
  rotateVec(lower, 0, aim, 0, lower, 0);
  rotateVec(axis, 0, aim, 0, hinge, h);
  const ux = upper[0]!;
  const uy = upper[1]!;
  const uz = upper[2]!;
  const lx = lower[0]!;
  const ly = lower[1]!;
  const lz = lower[2]!;
  const a = Math.sqrt(ux * ux + uy * uy + uz * uz);
  const b = Math.sqrt(lx * lx + ly * ly + lz * lz);
  const c = Math.sqrt(goal[0]! * goal[0]! + goal[1]! * goal[1]! + goal[2]! * goal[2]!);
  if (a === 0 || b === 0) {
    copyQuat(out, 0, aim, 0);
    copyQuat(out, 4, aim, 0);
    return;
  }
  // Unit vector to the target; a target in the root itself leaves the limb's own line, a folded limb the upper bone's.
  let tx = goal[0]!;
  let ty = goal[1]!;
  let tz = goal[2]!;
  let size = c;
  if (size === 0) {
    tx = ux + lx;
    ty = uy + ly;
    tz = uz + lz;
    size = Math.sqrt(tx * tx + ty * ty + tz * tz);
  }
  if (size === 0) {
    tx = ux;
    ty = uy;
    tz = uz;
    size = a;
  }
  tx /= size;
  ty /= size;
  tz /= size;

  // Side to which the middle joint stands off that line: its own, or the one the hinge opens to (line × axis).
  const along = ux * tx + uy * ty + uz * tz;
  let sx = ux - along * tx;
  let sy = uy - along * ty;
  let sz = uz - along * tz;
  const offset = Math.sqrt(sx * sx + sy * sy + sz * sz);
  if (offset > 0) {
    sx /= offset;
    sy /= offset;
    sz /= offset;
  }
  let ox = ty * axis[2]! - tz * axis[1]!;
  let oy = tz * axis[0]! - tx * axis[2]!;
  let oz = tx * axis[1]! - ty * axis[0]!;
  const opening = Math.sqrt(ox * ox + oy * oy + oz * oz);
  if (opening > 0) {
    ox /= opening;
    oy /= opening;
    oz /= opening;
    // How far the limb keeps its own plane.
    const bendCosine = (ux * lx + uy * ly + uz * lz) / (a * b);
    let own = 0;
    if (offset === 0) own = 0;
    else if (sx * ox + sy * oy + sz * oz <= 0) own = bendCosine < LOCKED_COSINE ? 1 : 0;
    else if (bendCosine <= PLANE_TO_COSINE) own = 1;
    else if (bendCosine < PLANE_FROM_COSINE) {
      const u = (Math.acos(bendCosine) - PLANE_FROM) / (PLANE_TO - PLANE_FROM);
      own = u * u * (3 - 2 * u);
    }
    sx = own * sx + (1 - own) * ox;
    sy = own * sy + (1 - own) * oy;
    sz = own * sz + (1 - own) * oz;
    size = Math.sqrt(sx * sx + sy * sy + sz * sz);
    if (size > 0) {
      sx /= size;
      sy /= size;
      sz /= size;
    }
  }

  const cosine = c > 0 ? (a * a + c * c - b * b) / (2 * a * c) : 0;
  const away = Math.max(-1, Math.min(1, cosine));
  const up = a * away;
  const off = a * Math.sqrt(1 - away * away);
  line[0] = up * tx + off * sx;
  line[1] = up * ty + off * sy;
  line[2] = up * tz + off * sz;
  rotationBetween(turn, 0, upper, 0, line, 0);
  mulQuat(out, 0, turn, 0, aim, 0);
  // The lower bone points from there to the end: where the reach allows it, on the target.
  const length = Math.max(Math.abs(a - b), Math.min(a + b, c));
  line[0] = length * tx - line[0]!;
  line[1] = length * ty - line[1]!;
  line[2] = length * tz - line[2]!;
  rotationBetween(turn, 0, lower, 0, line, 0);
  mulQuat(out, 4, turn, 0, aim, 0);
}
