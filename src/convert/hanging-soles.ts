import type { MeasuredAnatomy } from '../alignment/anatomy.ts';
import type { Sole } from '../contact/sole.ts';
import { rotateVecInverse } from '../math/quat.ts';
import { addVec, dotVec, normalizeVec, scaleVec } from '../math/vec.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { restWorldPose, type Skeleton } from '../skeleton/skeleton.ts';

/** No sole that stands is tilted by more (rad): what is less is uneven, and stands as it is. */
const TILT = (8 * Math.PI) / 180;

export interface HangingSoles extends MeasuredAnatomy {
  /** Height of each ankle joint above its sole once that is level, metres; null where the reference pose tells it. */
  ankleHeights: [number | null, number | null];
}

/**
 * The soles of a character whose reference pose does not stand on them: its feet hang, or it is on its toes. Without this the
 * feet of its motion would be off by as much as they hang. Feet that stand are left to the reference pose.
 *
 * @param skeleton  world space
 */
export function hangingSoles(skeleton: Skeleton, soles: Record<Side, Sole>): HangingSoles {
  const found: HangingSoles = { soleUp: {}, ankleHeights: [null, null] };
  const { rotations } = restWorldPose(skeleton);
  SIDES.forEach((side, i) => {
    const { joint, source, heel, ball } = soles[side];
    if (source !== 'mesh') return;
    // In the foot joint's frame: from heel to ball, and what is up in the reference pose, made square to it.
    const ahead = Float64Array.from(ball, (v, k) => v - heel[k]!);
    normalizeVec(ahead, 0);
    const up = Float64Array.of(0, 1, 0);
    rotateVecInverse(up, 0, rotations, joint * 4, up, 0);
    const rise = dotVec(up, 0, ahead, 0);
    if (Math.abs(Math.asin(rise)) <= TILT) return;
    const along = new Float64Array(3);
    scaleVec(along, 0, ahead, 0, -rise);
    addVec(up, 0, up, 0, along, 0);
    normalizeVec(up, 0);
    found.soleUp[side] = up;
    const height = (point: readonly number[]) => -dotVec(up, 0, Float64Array.from(point), 0);
    found.ankleHeights[i] = Math.max(0, height(heel), height(ball));
  });
  return found;
}
