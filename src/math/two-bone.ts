import { axisAngleQuat, mulQuat, rotateVec, rotationBetween } from './quat.ts';
import { crossVec, dotVec, lengthVec, normalizeVec, scaleVec, setVec, subVec } from './vec.ts';

/** Scratch memory of `solveTwoBone`; one for each thread of work. */
export interface TwoBoneScratch {
  readonly upper: Float64Array;
  readonly lower: Float64Array;
  readonly reach: Float64Array;
  readonly axis: Float64Array;
  readonly aim: Float64Array;
  readonly bend: Float64Array;
}

export function createTwoBoneScratch(): TwoBoneScratch {
  return {
    upper: new Float64Array(3),
    lower: new Float64Array(3),
    reach: new Float64Array(3),
    axis: new Float64Array(3),
    aim: new Float64Array(4),
    bend: new Float64Array(4),
  };
}

/** A limb is taken for straight below this sine of its bend (0.6 degree): its own plane is then rounding noise. */
const STRAIGHT_SINE = 0.01;

/**
 * Two-bone inverse kinematics: turns the upper bone about its root and the lower bone about the middle joint so that
 * the end meets the target, by the law of cosines, keeping the plane in which the limb is bent.
 *
 * The bend angle β between the bones follows from c² = a² + b² + 2ab cos β, with c the distance from root to target.
 * A target out of reach is met in direction, with the limb straight or folded as far as it goes.
 * A straight limb bends about `hinge`, the flexion axis in world space.
 *
 * @param positions  world positions, any stride-3 array; root, middle and end are offsets into it
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
  const { upper, lower, reach, axis, aim, bend } = scratch;
  subVec(upper, 0, positions, middle, positions, root);
  subVec(lower, 0, positions, end, positions, middle);
  subVec(reach, 0, target, t, positions, root);
  const a = lengthVec(upper, 0);
  const b = lengthVec(lower, 0);
  const c = lengthVec(reach, 0);

  crossVec(axis, 0, upper, 0, lower, 0);
  const product = a * b;
  const sine = product > 0 ? lengthVec(axis, 0) / product : 0;
  const angle = Math.atan2(sine * product, dotVec(upper, 0, lower, 0));
  if (sine > STRAIGHT_SINE) {
    scaleVec(axis, 0, axis, 0, 1 / (sine * product));
  } else {
    // Hinge made square to the limb, so that bending does not also twist it.
    const k = a > 0 ? dotVec(upper, 0, hinge, h) / (a * a) : 0;
    setVec(axis, 0, hinge[h]! - k * upper[0]!, hinge[h + 1]! - k * upper[1]!, hinge[h + 2]! - k * upper[2]!);
    if (normalizeVec(axis, 0) === 0) setVec(axis, 0, hinge[h]!, hinge[h + 1]!, hinge[h + 2]!);
  }

  const cosine = product > 0 ? (c * c - a * a - b * b) / (2 * product) : 1;
  const wanted = Math.acos(cosine > 1 ? 1 : cosine < -1 ? -1 : cosine);
  axisAngleQuat(bend, 0, axis[0]!, axis[1]!, axis[2]!, wanted - angle);
  rotateVec(lower, 0, bend, 0, lower, 0);
  upper[0]! += lower[0]!;
  upper[1]! += lower[1]!;
  upper[2]! += lower[2]!;
  rotationBetween(aim, 0, upper, 0, reach, 0);
  out[0] = aim[0]!;
  out[1] = aim[1]!;
  out[2] = aim[2]!;
  out[3] = aim[3]!;
  mulQuat(out, 4, aim, 0, bend, 0);
}
