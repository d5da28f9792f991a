import { RigproofError } from '../errors.ts';
import type { Body } from '../pairing/body.ts';
import { PARENT_ROLE, ROLES, type Role } from '../pairing/roles.ts';
import { isWithin, type Skeleton } from '../skeleton/skeleton.ts';

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
 */
export function solveTree(skeleton: Skeleton, body: Body): SolveTree {
  const { roles, spineChain } = body;
  const parents = skeleton.parents.slice();
  if (roles.hips !== undefined) parents[roles.hips] = -1;

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

  const order = orderByParent(parents);
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

function orderByParent(parents: Int16Array): Int16Array {
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
    if (later.length === rest.length) {
      throw new RigproofError(
        'RETARGET_CYCLE',
        'The pairing makes some joints carry each other in a circle.',
        {},
        {
          hint: 'Check the mapping: a foot cannot carry its own thigh. Leave out the pairings that were made by hand one by one.',
        },
      );
    }
    rest = later;
  }
  return Int16Array.from(order);
}
