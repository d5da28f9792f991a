import type { Note } from '../errors.ts';
import { mirrorRole, type Role, sidedRole } from '../pairing/roles.ts';
import { SIDES } from '../skeleton/side.ts';
import type { ProofFigure } from './measure.ts';

const LIMB_ROLES: readonly Role[] = SIDES.flatMap((side) =>
  (['UpperLeg', 'LowerLeg', 'Foot', 'UpperArm', 'LowerArm', 'Hand'] as const).map((part) => sidedRole(side, part)),
);

/** Limb joints that the source has and the target has on the other side only: the rig is broken there, or its pairing. */
export function unpairedLimbs(target: ProofFigure, source: ProofFigure): Role[] {
  return LIMB_ROLES.filter(
    (role) =>
      source.roles[role] !== undefined &&
      target.roles[role] === undefined &&
      target.roles[mirrorRole(role)] !== undefined,
  );
}

/** What an unpaired limb joint leads to. */
export function unpairedNote(target: ProofFigure, role: Role): Note {
  const partner = mirrorRole(role);
  return {
    code: 'PROOF_LIMB_UNPAIRED',
    severity: 'warning',
    message: `No joint was paired with ${role}, though ${partner} is ${target.skeleton.names[target.roles[partner]!]}: it gets no motion and is not judged. Let it hang from its limb as on the other side, or pair it by hand.`,
  };
}
