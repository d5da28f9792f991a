import { batch } from '@preact/signals';
import { jointReference, type MappingSide, ROLES, type Role, SURE } from '../../src/index.ts';
import type { FigureData } from '../worker/protocol.ts';
import { currentClip, type Session } from './session.ts';
import { change, performer, receiver } from './store.ts';
import type { FigureName, Picked } from './view.ts';

/** What the page shows of a figure, or null while it is not read yet. */
export function dataOf(figure: FigureName): FigureData | null {
  return figure === 'source' ? performer.value : receiver.value;
}

export const otherFigure = (figure: FigureName): FigureName => (figure === 'source' ? 'target' : 'source');

export function roleOf(figure: FigureName, joint: number): Role | null {
  const roles = dataOf(figure)?.roles;
  return ROLES.find((role) => roles?.[role] === joint) ?? null;
}

/** The joint of the same role on the other figure. */
export function partnerOf({ figure, joint }: Picked): { role: Role; joint: number; sure: boolean } | null {
  const role = roleOf(figure, joint);
  if (!role) return null;
  const own = dataOf(figure)?.readings[role];
  const its = dataOf(otherFigure(figure))?.readings[role];
  if (!own || !its) return null;
  return { role, joint: its.joint, sure: Math.min(own.confidence, its.confidence) >= SURE };
}

export function nameOf(figure: FigureName, joint: number): string {
  return dataOf(figure)?.skeleton.names[joint] ?? '';
}

/** `leftUpperLeg` as a person reads it: left upper leg. */
export function roleName(role: Role): string {
  return role.replace(/([A-Z])/g, (letter) => ` ${letter.toLowerCase()}`);
}

/** Changes what was decided about one figure's joints. */
export function decide(figure: FigureName, what: string, edit: (side: MappingSide) => MappingSide): void {
  change(what, (session) => withSide(session, figure, edit));
}

export function withSide(session: Session, figure: FigureName, edit: (side: MappingSide) => MappingSide): Session {
  if (figure === 'target') return { ...session, target: edit(session.target) };
  const clip = currentClip(session);
  if (!clip) return session;
  return { ...session, sources: { ...session.sources, [clip.id]: edit(session.sources[clip.id] ?? {}) } };
}

export function sideOfSession(session: Session, figure: FigureName): MappingSide {
  if (figure === 'target') return session.target;
  const clip = currentClip(session);
  return (clip && session.sources[clip.id]) ?? {};
}

/** Gives a role to a joint, or to none; whatever role the joint had by hand before is open again. */
export function setRole(figure: FigureName, role: Role, joint: number | null): void {
  const data = dataOf(figure);
  if (!data) return;
  const reference = joint === null ? null : jointReference(data.skeleton, joint);
  const what = joint === null ? `no ${roleName(role)}` : `${nameOf(figure, joint)} is the ${roleName(role)}`;
  decide(figure, what, (side) => {
    const roles = { ...side.roles };
    for (const [given, at] of Object.entries(roles) as [Role, string | null][]) {
      if (at !== null && at === reference) delete roles[given];
    }
    return { ...side, roles: { ...roles, [role]: reference } };
  });
}

/** Opens a role again: evidence decides. */
export function releaseRole(figure: FigureName, role: Role): void {
  decide(figure, `${roleName(role)} left to evidence`, (side) => {
    const { [role]: _, ...roles } = side.roles ?? {};
    return { ...side, roles };
  });
}

/** Locks a role at the joint it has now. */
export function lockRole(figure: FigureName, role: Role): void {
  const joint = dataOf(figure)?.roles[role];
  if (joint !== undefined) setRole(figure, role, joint);
}

/**
 * Pairs two joints: the other one takes the role of the first. Where the first has none, it takes the role of the other.
 */
export function pairJoints(from: Picked, to: Picked): void {
  const role = roleOf(from.figure, from.joint);
  if (role) {
    setRole(to.figure, role, to.joint);
    return;
  }
  const its = roleOf(to.figure, to.joint);
  if (its) setRole(from.figure, its, from.joint);
}

export function forbidJoint(figure: FigureName, joint: number, role: Role | null): void {
  const data = dataOf(figure);
  if (!data) return;
  const reference = jointReference(data.skeleton, joint);
  batch(() => {
    decide(figure, `${reference} is not the ${role ? roleName(role) : 'body'}`, (side) => {
      const roles = { ...side.roles };
      if (role && roles[role] === reference) delete roles[role];
      return {
        ...side,
        roles,
        forbid: [...(side.forbid ?? []), role ? { joint: reference, role } : { joint: reference }],
      };
    });
  });
}

/** Puts a joint on one of the lists of a mapping, or takes it off. */
export function toggleList(figure: FigureName, list: 'hold' | 'follow', joint: number): void {
  const data = dataOf(figure);
  if (!data) return;
  const reference = jointReference(data.skeleton, joint);
  const words = { hold: 'stays at rest', follow: 'follows the body' }[list];
  decide(figure, `${reference} ${words}`, (side) => {
    const now = side[list] ?? [];
    const next = now.includes(reference) ? now.filter((name) => name !== reference) : [...now, reference];
    return { ...side, [list]: next.length > 0 ? next : undefined };
  });
}
