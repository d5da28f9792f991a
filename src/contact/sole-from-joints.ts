import { DIP_MAX, distance, type Foot, unit, type Vec } from './foot.ts';
import { type Sole, type SolePoints, soleAt } from './sole.ts';

/**
 * Without a mesh: the heel's tread lies behind the ankle by this share of the distance from ankle to ball. Heel to ankle
 * is about a quarter, ankle to ball about a half of the foot, and the tread begins in front of its rear edge (common
 * practice in building figures, no source).
 */
const HEEL_BEHIND_ANKLE = 0.3;
/** Ankle height over thigh and shank: 0.039 / (0.530 − 0.039) of stature (Drillis & Contini 1966, as in Winter). */
const ANKLE_HEIGHT = 0.079;

/**
 * A sole laid out from joints and tips.
 * @param resting  whether the pose is the rest pose, which stands on y = 0
 */
export function soleFromJoints(foot: Foot, resting: boolean): Sole {
  const { ankle, toes, tip, forward, legLength } = foot;
  if (foot.joint === foot.lowerLeg) return soleOfShank(foot);
  const reach = toes ?? tip;
  // Where nothing lies below the ankle, a figure that rests near the floor stands on it: its ankle may be on its sole.
  const standsOnFloor = resting && ankle[1] > -0.02 * legLength && ankle[1] < 3 * ANKLE_HEIGHT * legLength;
  const typicalHeight = standsOnFloor ? Math.max(0, ankle[1]) : ANKLE_HEIGHT * legLength;
  const typicalReach = 1.4 * ANKLE_HEIGHT * legLength;
  let height = typicalHeight;
  let along = typicalReach;
  let across = 0;
  let tipAlong = along * 1.4;
  if (reach) {
    const flat = (v: Vec) => (v[0] - ankle[0]) * forward[0] + (v[2] - ankle[2]) * forward[2];
    const lowest = Math.max(ankle[1] - reach[1], tip ? ankle[1] - tip[1] : 0);
    if (lowest / Math.max(distance(reach, ankle), 1e-9) < DIP_MAX) {
      height = lowest > 0.25 * typicalHeight ? lowest : typicalHeight;
      along = flat(reach);
      tipAlong = tip && toes ? Math.max(flat(tip), along * 1.05) : along * (toes ? 1.4 : 1);
      if (!toes) along = tipAlong * 0.75;
      across = (reach[0] - ankle[0]) * forward[2] - (reach[2] - ankle[2]) * forward[0];
    } else {
      // A foot that points: level it about the ankle, its length known, its height as usual.
      const dip = Math.min(typicalHeight / distance(reach, ankle), 0.7);
      return pointedSole(foot, reach, dip);
    }
  }
  const world = (a: number, c: number): Vec => [
    ankle[0] + a * forward[0] + c * forward[2],
    ankle[1] - height,
    ankle[2] + a * forward[2] - c * forward[0],
  ];
  return soleAt(
    foot,
    ends(world(-HEEL_BEHIND_ANKLE * along, 0), world(along, across), world(tipAlong, across)),
    height,
  );
}

/** The sole of a leg that ends in its shank: under its tip, or as far below the knee as the thigh is long. */
function soleOfShank(foot: Foot): Sole {
  const { ankle: knee, tip, forward, legLength } = foot;
  const end: Vec = tip ?? [knee[0], knee[1] - legLength / 2, knee[2]];
  const along = 1.4 * ANKLE_HEIGHT * legLength;
  const at = (a: number): Vec => [end[0] + a * forward[0], end[1], end[2] + a * forward[2]];
  return soleAt(foot, ends(at(-HEEL_BEHIND_ANKLE * along), at(along), at(1.4 * along)), knee[1] - end[1]);
}

/** The sole of a foot that points down or up in the pose: square to where its toes would dip by the usual angle. */
function pointedSole(foot: Foot, reach: Vec, dip: number): Sole {
  const { ankle, forward, toes, tip } = foot;
  const d = unit([reach[0] - ankle[0], reach[1] - ankle[1], reach[2] - ankle[2]]);
  // The part of the facing that is square to the foot's long axis points out of the instep when the foot points down.
  const lean = d[0] * forward[0] + d[1] * forward[1] + d[2] * forward[2];
  const instep = unit([forward[0] - lean * d[0], forward[1] - lean * d[1], forward[2] - lean * d[2]]);
  const sign = d[1] < 0 ? 1 : -1;
  const cosine = Math.sqrt(1 - dip * dip);
  const along: Vec = [0, 1, 2].map((k) => cosine * d[k]! + sign * dip * instep[k]!) as Vec;
  const up: Vec = [0, 1, 2].map((k) => -dip * d[k]! + sign * cosine * instep[k]!) as Vec;
  const length = distance(reach, ankle) * cosine;
  const height = distance(reach, ankle) * dip;
  const at = (a: number): Vec => [0, 1, 2].map((k) => ankle[k]! + a * along[k]! - height * up[k]!) as Vec;
  const tipLength = toes && tip ? Math.max(length * 1.05, distance(tip, ankle) * cosine) : length * (toes ? 1.4 : 1);
  const ball = toes ? length : 0.75 * length;
  return soleAt(foot, ends(at(-HEEL_BEHIND_ANKLE * ball), at(ball), at(tipLength)), height);
}

/** A sole that is known by joints alone ends at heel and toe tip. */
function ends(heel: Vec, ball: Vec, toeTip: Vec): SolePoints {
  return { heel, ball, toeTip, rear: heel, front: toeTip };
}
