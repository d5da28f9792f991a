import { type Place, RigproofError } from '../errors.ts';
import { isWithin, type Skeleton } from '../skeleton/skeleton.ts';
import { findJoints, jointReference } from './joint-ref.ts';
import { nearestName } from './nearest-name.ts';
import { ROLES, type Role, type RoleMap } from './roles.ts';

/** What a mapping file says about one of its two figures. Joints are named as in `jointReference`. */
export interface MappingSide {
  /** File or figure that the side was made for. Only for people. */
  name?: string;
  /** Fixed roles; null means that the figure has no such joint. Roles left out are found by evidence. */
  roles?: Partial<Record<Role, string | null>>;
  /** Joints that must not get a role, or no role at all where none is given. */
  forbid?: { joint: string; role?: Role }[];
  /** Joints that stay at their rest rotation, whatever the clip does. */
  hold?: string[];
  /** Joints that hang elsewhere in the tree but ride with the body part nearest to them in the rest pose. */
  follow?: string[];
}

/** A correction of the rest pose of one role, made by hand. Degrees. */
export interface Correction {
  /** Forward, then outward. */
  swing?: [number, number];
  /** About the long axis of the bone. */
  twist?: number;
}

/** A mapping file: everything a person may decide about a pairing. All of it is optional. */
export interface Mapping {
  about?: string | string[];
  /** Role table of a naming convention: fits every figure that follows it, and joints it lacks are left to evidence. */
  convention?: { name?: string; roles: Partial<Record<Role, string | null>> };
  source?: MappingSide;
  target?: MappingSide;
  /** Joint chains without roles (tails, further limbs): the target chain takes the motion of the source chain. */
  chains?: { source: string[]; target: string[] }[];
  corrections?: Partial<Record<Role, Correction>>;
  /** A limb's weight between rotation (0: keep its angles) and reach (1: bring its end to the scaled place). */
  limbs?: Partial<Record<'leftLeg' | 'rightLeg' | 'leftArm' | 'rightArm', { reach?: number }>>;
}

/** A mapping side in joint indices of one skeleton. */
export interface AppliedMapping {
  /** Joint a fixed role; null where the figure has none. */
  roles: { [role in Role]?: number | null };
  forbid: { joint: number; role?: Role }[];
  hold: number[];
  follow: number[];
}

/**
 * Turns the names of one side into joints of a skeleton.
 * @param name  file name of the mapping, for messages
 * @throws RigproofError MAP_JOINT_UNKNOWN, MAP_JOINT_AMBIGUOUS
 */
export function applyMapping(side: MappingSide, skeleton: Skeleton, name?: string): AppliedMapping {
  const find = (reference: string, role?: Role) => findJoint(skeleton, reference, name, role);
  const roles: AppliedMapping['roles'] = {};
  for (const [role, joint] of Object.entries(side.roles ?? {}) as [Role, string | null][]) {
    roles[role] = joint === null ? null : find(joint, role);
  }
  return {
    roles,
    forbid: (side.forbid ?? []).map(({ joint, role }) => ({ joint: find(joint, role), role })),
    hold: (side.hold ?? []).map((joint) => find(joint)),
    follow: (side.follow ?? []).map((joint) => find(joint)),
  };
}

/**
 * Lays the table of a naming convention over a skeleton: the roles whose joints it has. Null entries are dropped, since
 * one file may have a joint that others of its kind lack.
 * @throws RigproofError MAP_CONVENTION when fewer than half of the table's joints are there
 */
export function applyConvention(
  convention: NonNullable<Mapping['convention']>,
  skeleton: Skeleton,
  name?: string,
): AppliedMapping {
  const roles: RoleMap = {};
  const entries = Object.entries(convention.roles).filter(([, joint]) => joint !== null) as [Role, string][];
  const missing: string[] = [];
  for (const [role, reference] of entries) {
    const matches = findJoints(skeleton, reference);
    if (matches.length === 1) roles[role] = matches[0]!;
    else missing.push(reference);
  }
  if (missing.length * 2 > entries.length) {
    throw new RigproofError(
      'MAP_CONVENTION',
      `The skeleton has ${entries.length - missing.length} of the ${entries.length} joints of the convention${
        convention.name ? ` "${convention.name}"` : ''
      }; missing are ${missing.slice(0, 4).join(', ')}${missing.length > 4 ? ' …' : ''}.`,
      { file: name },
      { hint: 'Leave the mapping out, or give the one for the naming that this file follows.' },
    );
  }
  return { roles, forbid: [], hold: [], follow: [] };
}

/** One side of a mapping file from the roles of a skeleton, to be written and edited by hand. */
export function mappingSideOf(skeleton: Skeleton, roles: RoleMap, name?: string): MappingSide {
  const side: MappingSide = { roles: {} };
  if (name !== undefined) side.name = name;
  for (const role of ROLES) {
    const joint = roles[role];
    if (joint !== undefined) side.roles![role] = jointReference(skeleton, joint);
  }
  return side;
}

/**
 * The joints of one end of a chain, in order.
 * @throws RigproofError MAP_JOINT_UNKNOWN, MAP_JOINT_AMBIGUOUS, MAP_CHAIN_ORDER when a joint is not below the one before it
 */
export function applyChain(chain: readonly string[], skeleton: Skeleton, name?: string): number[] {
  const joints = chain.map((reference) => findJoint(skeleton, reference, name));
  for (let i = 1; i < joints.length; i++) {
    if (joints[i] !== joints[i - 1] && isWithin(skeleton, joints[i - 1]!, joints[i]!)) continue;
    throw new RigproofError(
      'MAP_CHAIN_ORDER',
      `In a chain, "${chain[i]}" follows "${chain[i - 1]}" but is not below it.`,
      { file: name, joint: chain[i] },
      { hint: 'List the joints of a chain from the body outwards.' },
    );
  }
  return joints;
}

function findJoint(skeleton: Skeleton, reference: string, file?: string, role?: Role): number {
  const matches = findJoints(skeleton, reference);
  if (matches.length === 1) return matches[0]!;
  const place: Place = { file, joint: reference };
  const wanted = role ? ` that the mapping gives to ${role}` : '';
  if (matches.length === 0) {
    const near = nearestName(reference, skeleton.names);
    throw new RigproofError('MAP_JOINT_UNKNOWN', `The skeleton has no joint "${reference}"${wanted}.`, place, {
      hint: near ? `Did you mean "${near}"?` : 'List the joints with: rigproof inspect FILE --joints',
    });
  }
  const choices = matches.slice(0, 4).map((joint) => `"${jointReference(skeleton, joint)}"`);
  throw new RigproofError(
    'MAP_JOINT_AMBIGUOUS',
    `The skeleton has ${matches.length} joints "${reference}"${wanted}.`,
    place,
    { hint: `Say which: ${choices.join(' or ')}.` },
  );
}
