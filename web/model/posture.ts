import { signal } from '@preact/signals';
import { type Correction, mirrorRole, type Role } from '../../src/index.ts';
import { change, session } from './store.ts';

/** Whether a correction of one side is made on the other too. */
export const mirrors = signal(true);

const ROUND = 10;
const tidy = (degrees: number): number => Math.round(Math.max(-180, Math.min(180, degrees)) * ROUND) / ROUND;

/** The correction of a role: degrees forward and outward, and of twist. */
export function correctionOf(role: Role): { forward: number; outward: number; twist: number } {
  const { swing = [0, 0], twist = 0 } = session.value.corrections[role] ?? {};
  return { forward: swing[0], outward: swing[1], twist };
}

/** Sets the correction of a role, and of its partner where edits are mirrored. Drags join to one step of undo. */
export function setCorrection(role: Role, { forward, outward, twist }: ReturnType<typeof correctionOf>): void {
  const correction: Correction = { swing: [tidy(forward), tidy(outward)], twist: tidy(twist) };
  const isNone = correction.swing![0] === 0 && correction.swing![1] === 0 && correction.twist === 0;
  const roles = mirrors.value ? new Set([role, mirrorRole(role)]) : new Set([role]);
  change(
    `posture of the ${role}`,
    (state) => {
      const corrections = { ...state.corrections };
      for (const each of roles) {
        if (isNone) delete corrections[each];
        else corrections[each] = correction;
      }
      return { ...state, corrections };
    },
    `posture ${role}`,
  );
}

export function clearCorrections(): void {
  change('posture as measured', (state) => ({ ...state, corrections: {} }));
}
