import { SIDES, type Side } from '../skeleton/side.ts';

/**
 * Roles are the humanoid bone names of the open VRM 1.0 standard (VRMC_vrm-1.0, humanoid.md), with the parent role of
 * each. 'left' and 'right' are the character's own.
 */
const CORE = [
  ['hips', null],
  ['spine', 'hips'],
  ['chest', 'spine'],
  ['upperChest', 'chest'],
  ['neck', 'upperChest'],
  ['head', 'neck'],
  ['leftEye', 'head'],
  ['rightEye', 'head'],
  ['jaw', 'head'],
] as const;

const SIDED = [
  ['UpperLeg', 'hips'],
  ['LowerLeg', 'UpperLeg'],
  ['Foot', 'LowerLeg'],
  ['Toes', 'Foot'],
  ['Shoulder', 'upperChest'],
  ['UpperArm', 'Shoulder'],
  ['LowerArm', 'UpperArm'],
  ['Hand', 'LowerArm'],
  ['ThumbMetacarpal', 'Hand'],
  ['ThumbProximal', 'ThumbMetacarpal'],
  ['ThumbDistal', 'ThumbProximal'],
  ['IndexProximal', 'Hand'],
  ['IndexIntermediate', 'IndexProximal'],
  ['IndexDistal', 'IndexIntermediate'],
  ['MiddleProximal', 'Hand'],
  ['MiddleIntermediate', 'MiddleProximal'],
  ['MiddleDistal', 'MiddleIntermediate'],
  ['RingProximal', 'Hand'],
  ['RingIntermediate', 'RingProximal'],
  ['RingDistal', 'RingIntermediate'],
  ['LittleProximal', 'Hand'],
  ['LittleIntermediate', 'LittleProximal'],
  ['LittleDistal', 'LittleIntermediate'],
] as const;

export type SidedPart = (typeof SIDED)[number][0];
export type Role = (typeof CORE)[number][0] | `${Side}${SidedPart}`;

/** Joint index a role; roles that the skeleton does not have are absent. */
export type RoleMap = Partial<Record<Role, number>>;

/** All 55 roles, parents before children, the left side before the right. */
export const ROLES: readonly Role[] = [
  ...CORE.map(([role]) => role),
  ...SIDES.flatMap((side) => SIDED.map(([part]) => `${side}${part}` as const)),
];

/** The role that stands above each in the standard; null for the hips. */
export const PARENT_ROLE: Readonly<Record<Role, Role | null>> = Object.fromEntries([
  ...CORE,
  ...SIDES.flatMap((side) =>
    SIDED.map(([part, parent]) => [`${side}${part}`, SIDED.some(([p]) => p === parent) ? `${side}${parent}` : parent]),
  ),
]) as Record<Role, Role | null>;

/** Roles without which the VRM 1.0 standard does not call a model humanoid. */
export const REQUIRED_ROLES: readonly Role[] = [
  'hips',
  'spine',
  'head',
  ...SIDES.flatMap((side) =>
    (['UpperLeg', 'LowerLeg', 'Foot', 'UpperArm', 'LowerArm', 'Hand'] as const).map(
      (part) => `${side}${part}` as const,
    ),
  ),
];

export function sidedRole(side: Side, part: SidedPart): Role {
  return `${side}${part}`;
}

/** The role on the other side; a role of the middle is its own mirror. */
export function mirrorRole(role: Role): Role {
  if (role.startsWith('left')) return `right${role.slice(4)}` as Role;
  if (role.startsWith('right')) return `left${role.slice(5)}` as Role;
  return role;
}

export function sideOf(role: Role): Side | null {
  if (role.startsWith('left')) return 'left';
  if (role.startsWith('right')) return 'right';
  return null;
}
