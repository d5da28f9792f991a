import type { Side } from '../skeleton/side.ts';
import { type NameReading, nameEvidence, type Part } from './names.ts';
import type { Role } from './roles.ts';

/** What is known about a joint before its shape is looked at: its name, the file's own table, a person's word. */
export interface Prior {
  /** Log evidence that `joint` plays `part`; `side` where it is known already. */
  evidence(joint: number, part: Part, side: Side | null): number;
  names: readonly NameReading[];
  /** Roles that a table or a person has settled: joint, or null for "has none". */
  settled: ReadonlyMap<Role, number | null>;
  isForbidden(role: Role, joint: number): boolean;
  /** 1 where a joint moves the mesh, 0 where it does not; null without a skin. */
  deforms: Uint8Array | null;
}

/** Log evidence of a table or a person: more than all lengths and names together. */
const SETTLED = 60;

/** The role that a part is on a side, or null for fingers, whose roles are found joint by joint. */
export function roleOfPart(part: Part, side: Side | null): Role | null {
  switch (part) {
    case 'hips':
    case 'spine':
    case 'chest':
    case 'upperChest':
    case 'neck':
    case 'head':
    case 'jaw':
      return part;
    case 'thumb':
    case 'index':
    case 'middle':
    case 'ring':
    case 'little':
    case 'finger':
      return null;
    default:
      return side === null ? null : (`${side}${part[0]!.toUpperCase()}${part.slice(1)}` as Role);
  }
}

export function makePrior(
  names: readonly NameReading[],
  settled: ReadonlyMap<Role, number | null>,
  forbidden: readonly { role?: Role; joint: number }[],
  deforms: Uint8Array | null,
): Prior {
  const isForbidden = (role: Role, joint: number): boolean =>
    forbidden.some((ban) => ban.joint === joint && (ban.role === undefined || ban.role === role));
  const settledParts = new Map<number, Role>();
  for (const [role, joint] of settled) if (joint !== null) settledParts.set(joint, role);

  const weigh = (joint: number, part: Part, side: Side | null): number => {
    const spoken = nameEvidence(names[joint]!, part);
    const sides: readonly (Side | null)[] = side === null ? ['left', 'right'] : [side];
    let best = Number.NEGATIVE_INFINITY;
    for (const s of sides) {
      const role = roleOfPart(part, s);
      if (role === null) continue;
      const own = settledParts.get(joint);
      let value = 0;
      if (isForbidden(role, joint)) value = -SETTLED;
      else if (own !== undefined) value = own === role ? SETTLED : -SETTLED;
      else if (settled.has(role)) value = -SETTLED;
      best = Math.max(best, value);
    }
    return spoken + (best === Number.NEGATIVE_INFINITY ? 0 : best);
  };
  // Limbs are tried in thousands of ways out of the same joints.
  const known = new Map<Part, Record<Side | 'either', Float64Array>>();
  const unknown = () => new Float64Array(names.length).fill(Number.NaN);
  return {
    names,
    settled,
    deforms,
    isForbidden,
    evidence(joint, part, side) {
      let values = known.get(part);
      if (!values) {
        values = { left: unknown(), right: unknown(), either: unknown() };
        known.set(part, values);
      }
      const ofSide = values[side ?? 'either'];
      if (Number.isNaN(ofSide[joint]!)) ofSide[joint] = weigh(joint, part, side);
      return ofSide[joint]!;
    },
  };
}
