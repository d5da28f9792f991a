import { PARENT_ROLE, type Role, sideOf } from '../pairing/roles.ts';

/** What a score is given for. */
export const BODY_PARTS = [
  'head',
  'trunk',
  'leftArm',
  'rightArm',
  'leftHand',
  'rightHand',
  'leftLeg',
  'rightLeg',
  'leftFoot',
  'rightFoot',
  'whole',
] as const;
export type BodyPart = (typeof BODY_PARTS)[number];

/** The part that a role counts for. */
export function partOfRole(role: Role): BodyPart {
  const side = sideOf(role);
  if (side === null) return /^(neck|head|jaw)$/.test(role) ? 'head' : 'trunk';
  const part = role.slice(side.length);
  if (part === 'Eye') return 'head';
  if (/^(Shoulder|UpperArm|LowerArm)$/.test(part)) return `${side}Arm`;
  if (/^(UpperLeg|LowerLeg)$/.test(part)) return `${side}Leg`;
  if (/^(Foot|Toes)$/.test(part)) return `${side}Foot`;
  return `${side}Hand`;
}

/** The nearest role above in the standard that the figure has, or null. */
export function roleAbove(role: Role, has: (role: Role) => boolean): Role | null {
  for (let above = PARENT_ROLE[role]; above !== null; above = PARENT_ROLE[above]) if (has(above)) return above;
  return null;
}
