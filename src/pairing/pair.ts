import { type Body, SURE } from './body.ts';
import { ROLES, type Role } from './roles.ts';

/** One role that both figures have. */
export interface RolePair {
  role: Role;
  source: number;
  target: number;
  /** 0 to 1: that of the less certain of the two readings. */
  confidence: number;
}

/** What two figures have in common. Roles in the order of `ROLES`. */
export interface Pairing {
  pairs: RolePair[];
  /** Roles that only one of them has. */
  sourceOnly: Role[];
  targetOnly: Role[];
  /** Roles among the pairs that a person should look at: confidence below `SURE`. */
  unsure: Role[];
}

/** Pairs two figures role by role. Neither is changed; nothing is thrown, not even when there is no pair. */
export function pairBodies(source: Body, target: Body): Pairing {
  const result: Pairing = { pairs: [], sourceOnly: [], targetOnly: [], unsure: [] };
  for (const role of ROLES) {
    const a = source.roles[role];
    const b = target.roles[role];
    if (a !== undefined && b !== undefined) {
      // A role without a reading was set by hand.
      const confidence = Math.min(source.readings[role]?.confidence ?? 1, target.readings[role]?.confidence ?? 1);
      result.pairs.push({ role, source: a, target: b, confidence });
      if (confidence < SURE) result.unsure.push(role);
    } else if (a !== undefined) {
      result.sourceOnly.push(role);
    } else if (b !== undefined) {
      result.targetOnly.push(role);
    }
  }
  return result;
}
