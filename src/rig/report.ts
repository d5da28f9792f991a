import type { Role } from '../pairing/roles.ts';
import { type BodyPart, partOfRole } from './body-parts.ts';
import { FINDING_RULES, type Finding, type FindingId, type FindingPlace, type Severity } from './finding.ts';
import { type RigView, runsOf } from './view.ts';

/** A place in joints alone. */
export function jointPlace(view: RigView, joints: readonly number[], value: number, note = ''): FindingPlace {
  return {
    joints: joints.map((j) => view.skeleton.names[j]!),
    roles: rolesOf(view, joints),
    mesh: null,
    vertices: [],
    vertexCount: 0,
    value,
    note,
    frames: null,
  };
}

/** A place on a mesh. @param vertices  ascending */
export function meshPlace(
  view: RigView,
  mesh: number,
  vertices: readonly number[],
  joints: readonly number[],
  value: number,
  note = '',
): FindingPlace {
  return {
    ...jointPlace(view, joints, value, note),
    mesh: view.skins[mesh]!.name,
    vertices: runsOf(vertices),
    vertexCount: vertices.length,
  };
}

function rolesOf(view: RigView, joints: readonly number[]): Role[] {
  return joints.flatMap((j) => view.roleOf[j] ?? []);
}

/** A finding with its rule's words; null where there is no place. Places are sorted by value, worst first. */
export function finding(
  id: FindingId,
  where: readonly FindingPlace[],
  more: { severity?: Severity; value?: number } = {},
): Finding[] {
  if (where.length === 0) return [];
  const { rank: _, ...rule } = FINDING_RULES[id];
  const places = [...where].sort((a, b) => b.value - a.value);
  const parts = [...new Set(places.flatMap(({ roles }) => roles.map(partOfRole)))] as BodyPart[];
  return [
    {
      id,
      ...rule,
      severity: more.severity ?? rule.severity,
      where: places,
      value: more.value ?? places[0]!.value,
      parts: parts.length > 0 ? parts : ['whole'],
    },
  ];
}
