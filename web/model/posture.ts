import { signal } from '@preact/signals';
import { type Correction, correctionDirections, mirrorRole, type Role } from '../../src/index.ts';
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

type Vec = readonly [number, number, number];
const cross = (a: Vec, b: Vec): Vec => [
  a[1] * b[2] - a[2] * b[1],
  a[2] * b[0] - a[0] * b[2],
  a[0] * b[1] - a[1] * b[0],
];
const dot = (a: Vec, b: Vec): number => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];

/**
 * The swing that takes a segment from one direction to another, as a correction says it: degrees forward and outward.
 * What the way between the two turns about the segment itself is left out: that is twist.
 * @param from, to  unit, in the canonical posture
 */
export function swingBetween(role: Role, from: Vec, to: Vec): { forward: number; outward: number } {
  const { along, forward, outward } = correctionDirections(role);
  const axis = cross(from, to);
  const sine = Math.hypot(...axis);
  const angle = (Math.atan2(sine, dot(from, to)) * 180) / Math.PI;
  if (sine < 1e-9) return { forward: 0, outward: 0 };
  const part = (direction: Vec): number => (dot(axis, cross(along, direction)) / sine) * angle;
  return { forward: part(forward), outward: part(outward) };
}
