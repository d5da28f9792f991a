import { SIDES } from '../skeleton/side.ts';
import { restWorldPose, type Skeleton, type WorldPose } from '../skeleton/skeleton.ts';
import type { BodyFrame } from './body.ts';
import { cross, dot, minus, type Point, pointAt, unit } from './point.ts';
import { type RoleMap, sidedRole } from './roles.ts';

/** How a figure stands in a pose. */
export interface RestPose {
  /** T: arms out level; A: arms out and down by some 45 degrees; other: arms down, crouching, or no posture at all. */
  kind: 'T' | 'A' | 'other';
  /** How far the arms point below the horizontal, mean of both; null where an arm is missing. */
  armsDownDegrees: number | null;
  /** One sentence: what was measured. */
  evidence: string;
}

// Common practice, no source: a T-pose is level, an A-pose lies around 45 degrees, and modellers are not exact.
const T_MAX = 20; // degrees below or above the horizontal
const A_MAX = 65;
/** Arms out of the plane of the body by more than this are in some gesture. */
const FORWARD_MAX = 40;
/** Legs that stand: spread or bent by no more than this from straight down. */
const LEG_MAX = 35;

/**
 * Measures a rest pose by the directions of arms (shoulder to wrist, or elbow where there is no hand) and thighs.
 * @param body  a `Body`, or what of it is needed
 * @param pose  world pose of the skeleton; its rest pose by default
 */
export function readRestPose(
  skeleton: Skeleton,
  body: { roles: RoleMap; frame: Pick<BodyFrame, 'up' | 'facing'> },
  pose: WorldPose = restWorldPose(skeleton),
): RestPose {
  const up: Point = [...body.frame.up];
  const facing: Point = [...body.frame.facing];
  const left = cross(up, facing);
  const direction = (from: number | undefined, to: number | undefined): Point | null =>
    from === undefined || to === undefined
      ? null
      : unit(minus(pointAt(pose.positions, to), pointAt(pose.positions, from)));
  const { roles } = body;
  const arms: { down: number; forward: number; outward: number }[] = [];
  const legs: number[] = [];
  for (const side of SIDES) {
    const lower = roles[sidedRole(side, 'LowerArm')];
    const arm = direction(roles[sidedRole(side, 'UpperArm')], roles[sidedRole(side, 'Hand')] ?? lower);
    if (arm) {
      arms.push({
        down: degrees(Math.asin(-clamp(dot(arm, up)))),
        forward: degrees(Math.asin(clamp(dot(arm, facing)))),
        outward: dot(arm, left) * (side === 'left' ? 1 : -1),
      });
    }
    const leg = direction(roles[sidedRole(side, 'UpperLeg')], roles[sidedRole(side, 'LowerLeg')]);
    if (leg) legs.push(degrees(Math.acos(-clamp(dot(leg, up)))));
  }
  if (arms.length < 2) return { kind: 'other', armsDownDegrees: null, evidence: 'not both arms are known' };
  const down = (arms[0]!.down + arms[1]!.down) / 2;
  const forward = Math.max(...arms.map((arm) => Math.abs(arm.forward)));
  const isEven = Math.abs(arms[0]!.down - arms[1]!.down) <= T_MAX;
  const stands = legs.every((angle) => angle <= LEG_MAX);
  const isOut = arms.every((arm) => arm.outward > 0) && forward <= FORWARD_MAX && isEven;
  let kind: RestPose['kind'] = 'other';
  if (stands && isOut && Math.abs(down) <= T_MAX) kind = 'T';
  else if (stands && isOut && down > T_MAX && down <= A_MAX) kind = 'A';
  const size = Math.abs(down).toFixed(0);
  const vertical = size === '0' ? 'level' : `${size} degrees ${down > 0 ? 'below' : 'above'} the horizontal`;
  const thighs = legs.length > 0 ? `, thighs up to ${Math.max(...legs).toFixed(0)} degrees from straight down` : '';
  return {
    kind,
    armsDownDegrees: down,
    evidence: `arms ${vertical}, up to ${forward.toFixed(0)} degrees out of the plane of the body${thighs}`,
  };
}

const clamp = (x: number) => Math.min(1, Math.max(-1, x));
const degrees = (radians: number) => (radians * 180) / Math.PI;
