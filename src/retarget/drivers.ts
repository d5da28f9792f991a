import { distanceVec } from '../math/vec.ts';
import { ROLES, type Role, sidedRole } from '../pairing/roles.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { childrenOf, restWorldPose, type Skeleton } from '../skeleton/skeleton.ts';
import type { Actor } from './actor.ts';

/** A source joint that turns a target joint, and its weight in the mean of all that do: they sum to 1. */
export interface Driver {
  joint: number;
  weight: number;
}

/** Two chains that were paired by hand, in joint indices, from the body outwards. */
export interface ChainPair {
  source: readonly number[];
  target: readonly number[];
}

/** A chain as a function of its length: at `at` (0 the joint it grows from, 1 its last) it turns like `joint`. */
interface Station {
  at: number;
  joint: number;
}

const FINGERS = ['Thumb', 'Index', 'Middle', 'Ring', 'Little'] as const;
/** Fingers that may stand in for one that the source does not have, nearest first. The thumb has no stand-in. */
const STAND_INS: Record<(typeof FINGERS)[number], readonly (typeof FINGERS)[number][]> = {
  Thumb: ['Thumb'],
  Index: ['Index', 'Middle', 'Ring', 'Little'],
  Middle: ['Middle', 'Index', 'Ring', 'Little'],
  Ring: ['Ring', 'Middle', 'Little', 'Index'],
  Little: ['Little', 'Ring', 'Middle', 'Index'],
};
/** Roles along each finger, in the order of `ROLES`: from the palm on. */
const FINGER_ROLES = new Map(
  SIDES.flatMap((side) => FINGERS.map((finger) => `${side}${finger}` as const)).map((finger) => [
    finger,
    ROLES.filter((role) => role.startsWith(finger)),
  ]),
);
const CHAINED = /Thumb|Index|Middle|Ring|Little/;
const TRUNK: ReadonlySet<Role> = new Set(['spine', 'chest', 'upperChest', 'neck']);

/**
 * Decides for each target joint which source joints turn it. Limbs, head and clavicles go role by role; the spine, the
 * neck and the fingers are chains that may differ in count and are read off along their length, so that pelvis, chest,
 * head and hand keep their world orientation whatever stands between them. Chains that were paired by hand are read off in the
 * same way and come before roles.
 * @param hold  target joints that nothing drives
 * @returns one entry a target joint, null where nothing drives it
 */
export function chooseDrivers(
  source: Actor,
  target: Actor,
  chains: readonly ChainPair[] = [],
  hold: readonly number[] = [],
): (Driver[] | null)[] {
  const drivers = driversByRole(source, target);
  for (const chain of chains) driveChain(drivers, source.skeleton, target.skeleton, chain);
  for (const joint of hold) drivers[joint] = null;
  return drivers;
}

function driversByRole(source: Actor, target: Actor): (Driver[] | null)[] {
  const drivers: (Driver[] | null)[] = new Array(target.skeleton.jointCount).fill(null);
  const from = source.body.roles;
  const to = target.body.roles;
  for (const role of ROLES) {
    const src = from[role];
    const dst = to[role];
    if (src === undefined || dst === undefined || TRUNK.has(role) || CHAINED.test(role)) continue;
    drivers[dst] = [{ joint: src, weight: 1 }];
  }
  if (from.hips === undefined || to.hips === undefined) return drivers;

  driveSpine(drivers, spineStations(source), spineStations(target));
  if (from.head !== undefined) {
    const neck = neckStations(source);
    const targetNeck = neckStations(target);
    target.body.neckChain.forEach((joint, i) => {
      drivers[joint] = readStations(neck, targetNeck[i + 1]!.at);
    });
  }
  for (const side of SIDES) {
    const hand = from[sidedRole(side, 'Hand')];
    if (hand === undefined) continue;
    for (const finger of FINGERS) {
      const dst = fingerChain(target, side, finger);
      const src = STAND_INS[finger].map((name) => fingerChain(source, side, name)).find((chain) => chain.length > 0);
      if (!src) continue;
      const stations = [{ at: 0, joint: hand }, ...src.map((joint, i) => ({ at: (i + 1) / src.length, joint }))];
      dst.forEach((joint, i) => {
        drivers[joint] = readStations(stations, (i + 1) / dst.length);
      });
    }
  }
  return drivers;
}

/** Both chains by length, from the joint that carries the first one at 0 to the last one at 1. */
function driveChain(
  drivers: (Driver[] | null)[],
  source: Skeleton,
  target: Skeleton,
  { source: src, target: dst }: ChainPair,
): void {
  if (src.length === 0 || dst.length === 0) return;
  const base = source.parents[src[0]!]!;
  const stations = stationsAlong(source, src, lastLength(source, src), 1);
  // What no joint carries is carried by its first one.
  const whole = [{ at: 0, joint: base < 0 ? src[0]! : base }, ...stations];
  for (const { at, joint } of stationsAlong(target, dst, lastLength(target, dst), 1)) {
    drivers[joint] = readStations(whole, at);
  }
}

/** Length of a chain's last segment: to its tip or to what hangs from it, else as the segment before. */
function lastLength(skeleton: Skeleton, chain: readonly number[]): number {
  const last = chain[chain.length - 1]!;
  const { positions } = restWorldPose(skeleton);
  const tip = skeleton.tips.find(({ joint }) => joint === last);
  const own = tip
    ? Math.hypot(...tip.offset)
    : Math.max(0, ...childrenOf(skeleton, last).map((child) => distanceVec(positions, last * 3, positions, child * 3)));
  if (own > 0 || chain.length < 2) return own || 1;
  return distanceVec(positions, last * 3, positions, chain[chain.length - 2]! * 3) || 1;
}

function fingerChain(actor: Actor, side: Side, finger: (typeof FINGERS)[number]): number[] {
  return FINGER_ROLES.get(`${side}${finger}`)!
    .map((role) => actor.body.roles[role])
    .filter((joint) => joint !== undefined);
}

/** Hips at 0; each spine joint at the far end of its own segment; the last one, which carries neck and arms, at 1. */
function spineStations({ skeleton, body }: Actor): Station[] {
  const { roles, spineChain } = body;
  const hips = { at: 0, joint: roles.hips! };
  if (spineChain.length === 0) return [hips];
  const { positions } = restWorldPose(skeleton);
  const last = spineChain[spineChain.length - 1]!;
  const carried = [roles.neck ?? roles.head, roles.leftUpperArm, roles.rightUpperArm].filter((j) => j !== undefined);
  const reach = Math.max(1e-6, ...carried.map((j) => distanceVec(positions, j * 3, positions, last * 3)));
  return [hips, ...stationsAlong(skeleton, spineChain, reach, 1)];
}

/** The joint below the neck at 0, the head at 1, each neck joint at its share of the way between. */
function neckStations({ skeleton, body }: Actor): Station[] {
  const { roles, spineChain, neckChain } = body;
  const base = spineChain[spineChain.length - 1] ?? roles.hips!;
  const head = roles.head;
  const stations = [{ at: 0, joint: base }];
  if (neckChain.length > 0 && head !== undefined) {
    const { positions } = restWorldPose(skeleton);
    const last = neckChain[neckChain.length - 1]!;
    const reach = Math.max(1e-6, distanceVec(positions, last * 3, positions, head * 3));
    stations.push(...stationsAlong(skeleton, neckChain, reach, neckChain.length / (neckChain.length + 1)));
  }
  if (head !== undefined) stations.push({ at: 1, joint: head });
  return stations;
}

/** Stations at the far ends of a chain's segments, by rest length; the last one at `end`. */
function stationsAlong(skeleton: Skeleton, chain: readonly number[], lastLength: number, end: number): Station[] {
  const { positions } = restWorldPose(skeleton);
  let length = 0;
  const ends = chain.map((joint, i) => {
    const next = chain[i + 1];
    length += next === undefined ? lastLength : distanceVec(positions, joint * 3, positions, next * 3);
    return length;
  });
  return chain.map((joint, i) => ({ at: i === chain.length - 1 ? end : (end * ends[i]!) / length, joint }));
}

/** Positions along two chains that agree to this are one station: equal chains then map joint to joint, exactly. */
const SAME_STATION = 1e-6;

/**
 * Drives the spine; the first station of both is the hips. The last joint carries neck and arms and turns like the source's
 * last one. Of the others, those of a finer spine are read off at their ends, so that a bend is spread over more joints;
 * those of a coarser one follow the chord of their stretch.
 */
function driveSpine(drivers: (Driver[] | null)[], source: readonly Station[], target: readonly Station[]): void {
  for (let i = 1; i < target.length; i++) {
    const { at, joint } = target[i]!;
    const isChord = target.length <= source.length && i < target.length - 1;
    drivers[joint] = isChord ? readStretch(source, target[i - 1]!.at, at) : readStations(source, at);
  }
}

/**
 * The mean, by length, of the source's segments along a stretch of its chain. A joint in place of several leans as they do
 * together, and a jerk of one of them weighs by its length.
 */
function readStretch(stations: readonly Station[], from: number, to: number): Driver[] {
  const shares = stations.map(({ at, joint }, i) => {
    const start = i === 0 ? at : Math.max(from, stations[i - 1]!.at);
    return { joint, share: Math.min(to, at) - start };
  });
  const parts = shares.filter(({ share }) => share > SAME_STATION);
  if (parts.length === 0) return readStations(stations, to);
  const whole = parts.reduce((sum, { share }) => sum + share, 0);
  return parts.map(({ joint, share }) => ({ joint, weight: share / whole }));
}

/** What the source's chain turns like at one place, between the stations around it. */
function readStations(stations: readonly Station[], at: number): Driver[] {
  for (let i = 0; i < stations.length; i++) {
    const here = stations[i]!;
    if (Math.abs(here.at - at) < SAME_STATION) return [{ joint: here.joint, weight: 1 }];
    if (here.at > at) {
      const before = stations[i - 1]!;
      const t = (at - before.at) / (here.at - before.at);
      return [
        { joint: before.joint, weight: 1 - t },
        { joint: here.joint, weight: t },
      ];
    }
  }
  return [{ joint: stations[stations.length - 1]!.joint, weight: 1 }];
}
