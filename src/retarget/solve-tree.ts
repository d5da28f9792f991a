import { RigproofError } from '../errors.ts';
import { distanceToSegment, distanceVec } from '../math/vec.ts';
import type { Body } from '../pairing/body.ts';
import { PARENT_ROLE, ROLES, type Role } from '../pairing/roles.ts';
import { isWithin, restWorldPose, type Skeleton } from '../skeleton/skeleton.ts';

/** The tree in which a target is solved. It differs from the skeleton where a rig hangs a limb's part elsewhere. */
export interface SolveTree {
  /** Parent a joint; -1 for what stands by itself: the roots of the skeleton, and the hips. */
  parents: Int16Array;
  /** Joint indices, parents first. */
  order: Int16Array;
  /** Joints whose parent differs from the skeleton's, or whose skeleton parent does: their translation must be keyed. */
  moved: number[];
}

/**
 * Anatomy decides what carries what: the shin carries the foot, the chest carries the arms, even where the rigger
 * hung the foot control under the root. Everything else hangs as in the file.
 *
 * @param pelvis  the joint whose place the motion gives: the hips, or the root of a body without
 * @param follow  joints that ride with the body part that is nearest to them in the rest pose
 * @throws RETARGET_CYCLE where a pairing made by hand says that a joint carries what it hangs under in the file
 */
export function solveTree(skeleton: Skeleton, body: Body, pelvis: number, follow: readonly number[] = []): SolveTree {
  const { roles, spineChain } = body;
  const parents = skeleton.parents.slice();
  parents[pelvis] = -1;

  const carry = (joint: number, carrier: number | undefined): void => {
    if (carrier !== undefined && carrier !== joint && !isWithin(skeleton, carrier, joint)) parents[joint] = carrier;
  };
  spineChain.forEach((joint, i) => {
    carry(joint, i === 0 ? roles.hips : spineChain[i - 1]);
  });
  const inSpine = new Set(spineChain);
  for (const role of ROLES) {
    const joint = roles[role];
    if (joint === undefined || role === 'hips' || inSpine.has(joint)) continue;
    carry(joint, carrierOf(role, body));
  }
  const parts = [...new Set([pelvis, ...spineChain, ...ROLES.map((role) => roles[role])])].filter(
    (joint) => joint !== undefined,
  );
  const own = parents.slice();
  for (const joint of follow) if (!parts.includes(joint)) carry(joint, nearestPart(skeleton, own, parts, joint));

  const order = orderByParent(skeleton, roles, parents);
  const moved: number[] = [];
  for (let j = 0; j < skeleton.jointCount; j++) if (parents[j] !== skeleton.parents[j]) moved.push(j);
  return { parents, order, moved };
}

/** The joint that carries a role's joint: that of the nearest role above it, or the end of the spine for the trunk's. */
function carrierOf(role: Role, { roles, spineChain }: Body): number | undefined {
  for (let above = PARENT_ROLE[role]; above !== null; above = PARENT_ROLE[above]) {
    if (above === 'upperChest' || above === 'chest' || above === 'spine') {
      return spineChain[spineChain.length - 1] ?? roles.hips;
    }
    if (roles[above] !== undefined) return roles[above];
  }
  return undefined;
}

/** Distances that differ by less (m) are the same: the end of one segment is the start of the next, which then counts. */
const SAME_DISTANCE = 1e-6;

/** The joint whose segment, down to the body parts that it carries, lies nearest to a joint in the rest pose. */
function nearestPart(
  skeleton: Skeleton,
  parents: Int16Array,
  parts: readonly number[],
  joint: number,
): number | undefined {
  const { positions } = restWorldPose(skeleton);
  let best: number | undefined;
  let least = Number.POSITIVE_INFINITY;
  const byDepth = [...parts].sort((a, b) => depthOf(parents, a) - depthOf(parents, b));
  for (const part of byDepth) {
    if (isWithin(skeleton, joint, part)) continue;
    const carried = parts.filter((other) => carrierAmong(parents, parts, other) === part);
    const distance = Math.min(
      distanceVec(positions, joint * 3, positions, part * 3),
      ...carried.map((end) => distanceToSegment(positions, joint * 3, positions, part * 3, positions, end * 3)),
    );
    if (distance > least + SAME_DISTANCE) continue;
    least = distance;
    best = part;
  }
  return best;
}

function depthOf(parents: Int16Array, joint: number): number {
  let depth = 0;
  for (let j = parents[joint]!; j >= 0; j = parents[j]!) depth++;
  return depth;
}

function carrierAmong(parents: Int16Array, parts: readonly number[], joint: number): number | undefined {
  for (let j = parents[joint]!; j >= 0; j = parents[j]!) if (parts.includes(j)) return j;
  return undefined;
}

function orderByParent(skeleton: Skeleton, roles: Body['roles'], parents: Int16Array): Int16Array {
  const order: number[] = [];
  const placed = new Uint8Array(parents.length);
  let rest = Array.from(parents, (_, j) => j);
  while (rest.length > 0) {
    const later: number[] = [];
    for (const j of rest) {
      const p = parents[j]!;
      if (p >= 0 && !placed[p]) later.push(j);
      else {
        placed[j] = 1;
        order.push(j);
      }
    }
    if (later.length === rest.length) throw circleError(skeleton, roles, circleAbove(parents, rest[0]!));
    rest = later;
  }
  return Int16Array.from(order);
}

/** The joints of the circle that one comes to from parent to parent, each before the one that it carries. */
function circleAbove(parents: Int16Array, joint: number): number[] {
  const way: number[] = [];
  let j = joint;
  for (; !way.includes(j); j = parents[j]!) way.push(j);
  return way.slice(way.indexOf(j)).reverse();
}

function circleError(skeleton: Skeleton, roles: Body['roles'], circle: readonly number[]): RigproofError {
  const named = circle.map((joint) => {
    const role = ROLES.find((its) => roles[its] === joint);
    return role ? `${skeleton.names[joint]} (paired as ${role})` : skeleton.names[joint]!;
  });
  return new RigproofError(
    'RETARGET_CYCLE',
    `The pairing makes joints carry each other in a circle: ${[...named, skeleton.names[circle[0]!]].join(' carries ')}.`,
    { joint: skeleton.names[circle[0]!]! },
    {
      hint: 'Exchange the roles of these joints in the mapping, or leave them out of it: a joint that hangs under another in the rig cannot be the thigh or upper arm to its shin or forearm.',
    },
  );
}
