import { type Note, type Place, RigproofError } from '../errors.ts';
import type { Body } from '../pairing/body.ts';
import { type Mapping, mappingSideOf } from '../pairing/mapping.ts';
import { pairBodies } from '../pairing/pair.ts';
import { REQUIRED_ROLES, type Role } from '../pairing/roles.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';

/** One figure of a pairing. */
export interface PairedFigure {
  /** As messages call it. */
  file: string;
  skeleton: Skeleton;
  body: Body;
  notes: readonly Note[];
}

/** A joint in a role, with why. */
export interface PairedJoint {
  joint: string;
  confidence: number;
  evidence: string[];
}

/**
 * Who is paired with whom, as `rigproof pair --json` prints it. Members may be added; those here keep their meaning.
 */
export interface PairingReport {
  format: 'rigproof-pairing';
  version: 1;
  source: { file: string; joints: number; humanoid: boolean; reason: string };
  target: { file: string; joints: number; humanoid: boolean; reason: string };
  pairs: { role: Role; source: PairedJoint; target: PairedJoint; confidence: number; sure: boolean }[];
  /** Roles that only one of the two has. */
  sourceOnly: { role: Role; joint: string }[];
  targetOnly: { role: Role; joint: string }[];
  /** Roles of the pairs that a person should look at. */
  unsure: Role[];
  /** Roles that the VRM 1.0 standard requires and that are not paired. */
  missing: Role[];
  warnings: { code: string; severity: 'info' | 'warning'; message: string; place: Place | null }[];
}

/**
 * Pairs two figures and gathers the evidence.
 * @param hasChains  chains are paired by hand: then no role needs to be
 * @throws RigproofError PAIR_NOTHING_SHARED when they have no role in common, with the reason of the one that has none
 */
export function reportPairing(source: PairedFigure, target: PairedFigure, hasChains = false): PairingReport {
  const { pairs, sourceOnly, targetOnly, unsure } = pairBodies(source.body, target.body);
  if (pairs.length === 0 && !hasChains) {
    const stranger = source.body.humanoid ? target : source;
    throw new RigproofError(
      'PAIR_NOTHING_SHARED',
      `The two have no joint in common. ${stranger.file}: ${stranger.body.reason}`,
      { file: stranger.file },
      { hint: 'If it is a human body, fix its roles in a mapping file; otherwise pair chain with chain there.' },
    );
  }
  const has = new Set(pairs.map(({ role }) => role));
  const jointIn = ({ skeleton, body }: PairedFigure, role: Role, joint: number): PairedJoint => ({
    joint: skeleton.names[joint]!,
    confidence: body.readings[role]?.confidence ?? 1,
    evidence: body.readings[role]?.evidence ?? ['set by hand'],
  });
  const only = ({ skeleton, body }: PairedFigure, roles: Role[]) =>
    roles.map((role) => ({ role, joint: skeleton.names[body.roles[role]!]! }));
  const figure = ({ file, skeleton, body }: PairedFigure) => ({
    file,
    joints: skeleton.jointCount,
    humanoid: body.humanoid,
    reason: body.reason,
  });
  return {
    format: 'rigproof-pairing',
    version: 1,
    source: figure(source),
    target: figure(target),
    pairs: pairs.map(({ role, source: a, target: b, confidence }) => ({
      role,
      source: jointIn(source, role, a),
      target: jointIn(target, role, b),
      confidence,
      sure: !unsure.includes(role),
    })),
    sourceOnly: only(source, sourceOnly),
    targetOnly: only(target, targetOnly),
    unsure,
    missing: REQUIRED_ROLES.filter((role) => !has.has(role)),
    warnings: [source, target].flatMap(({ notes, body }) =>
      [...notes, ...body.notes].map(({ code, severity, message, place }) => ({
        code,
        severity,
        message,
        place: place ?? null,
      })),
    ),
  };
}

/** The pairing as a mapping file to be edited by hand; what `given` says beyond roles is kept. */
export function mappingOf(source: PairedFigure, target: PairedFigure, given: Mapping = {}): Mapping {
  const { convention: _, ...rest } = given;
  return {
    ...rest,
    source: { ...rest.source, ...mappingSideOf(source.skeleton, source.body.roles, source.file) },
    target: { ...rest.target, ...mappingSideOf(target.skeleton, target.body.roles, target.file) },
  };
}
