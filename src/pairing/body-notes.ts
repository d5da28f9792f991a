import type { Note } from '../errors.ts';
import { SIDES } from '../skeleton/side.ts';
import type { Assignment } from './assign-roles.ts';
import { type BodyFrame, type RoleReading, SURE } from './body.ts';
import { partOfRole } from './explain-roles.ts';
import type { Facing } from './facing.ts';
import type { Figure } from './figure.ts';
import { commonAncestor } from './figure.ts';
import type { Interpretation } from './interpretation.ts';
import { type NameReading, nameEvidence, saysSomething } from './names.ts';
import { type Role, sidedRole, sideOf } from './roles.ts';

/** Fewer joints with the wrong side in their names are told one by one. */
const MIN_SWAPPED = 4;

/** Ends of limbs that riggers hang elsewhere, for IK to drive. */
const DETACHABLE = [
  { part: 'Foot', carrier: 'LowerLeg', end: 'foot', bone: 'shin' },
  { part: 'Hand', carrier: 'LowerArm', end: 'hand', bone: 'forearm' },
] as const;

/** What a person should know about a body: names that lie, parts that hang elsewhere, and what is in doubt. */
export function bodyNotes(
  figure: Figure,
  body: Interpretation,
  assignment: Assignment,
  facing: Facing,
  frame: BodyFrame,
  names: readonly NameReading[],
  readings: Partial<Record<Role, RoleReading>>,
  poseFrame: number | null,
): Note[] {
  const { skeleton } = figure;
  const { roles } = assignment;
  const notes: Note[] = [];
  const warn = (code: string, message: string, joint?: number): void => {
    notes.push({
      code,
      severity: 'warning',
      message,
      ...(joint === undefined ? {} : { place: { joint: skeleton.names[joint]! } }),
    });
  };
  const inform = (code: string, message: string, joint?: number): void => {
    notes.push({
      code,
      severity: 'info',
      message,
      ...(joint === undefined ? {} : { place: { joint: skeleton.names[joint]! } }),
    });
  };
  const nameOf = (j: number): string => `"${skeleton.names[j]}"`;
  const entries = Object.entries(roles) as [Role, number][];

  const sided = entries.filter(([role, j]) => sideOf(role) !== null && names[j]!.side !== null);
  const wrong = sided.filter(([role, j]) => names[j]!.side !== sideOf(role));
  if (wrong.length >= MIN_SWAPPED && wrong.length > sided.length / 2) {
    const reason = facing.clues[0]?.text ?? 'the shape of the body';
    warn(
      'PAIR_SIDES_SWAPPED',
      `Left and right are swapped in the names of ${wrong.length} of ${sided.length} joints: ${reason}.`,
    );
  } else {
    for (const [role, j] of wrong)
      warn('PAIR_NAME_SIDE', `${nameOf(j)} is named for the ${names[j]!.side} but is the ${role}.`, j);
  }
  for (const [role, j] of entries) {
    if (!saysSomething(names[j]!) || role === 'hips') continue;
    const part = partOfRole(role);
    const isFinger = names[j]!.parts.finger !== undefined && /Thumb|Index|Middle|Ring|Little/.test(role);
    const isTrunk = ['spine', 'chest', 'upperChest'].includes(part);
    const spoken = isTrunk
      ? Math.max(...(['spine', 'chest', 'upperChest'] as const).map((p) => nameEvidence(names[j]!, p)))
      : nameEvidence(names[j]!, part);
    if (spoken < 0 && !isFinger)
      inform('PAIR_NAME_PART', `${nameOf(j)} plays the ${role}, though its name speaks of something else.`, j);
  }
  const namedHips = names.findIndex(
    (name, j) => j !== body.hips && (name.parts.hips ?? 0) >= 2.5 && name.side === null,
  );
  if (namedHips >= 0 && (names[body.hips]!.parts.hips ?? 0) < 2.5) {
    warn(
      'PAIR_HIPS_ELSEWHERE',
      `${nameOf(body.hips)} carries the legs and the spine and is taken for the hips; ${nameOf(namedHips)} is only called so.`,
      body.hips,
    );
  }
  for (const side of SIDES) {
    for (const { part, carrier, end, bone } of DETACHABLE) {
      const joint = roles[sidedRole(side, part)];
      const above = roles[sidedRole(side, carrier)];
      if (joint === undefined || above === undefined || (joint > above && joint < skeleton.subtreeEnd[above]!))
        continue;
      const parent = skeleton.parents[joint]!;
      const where = parent < 0 ? 'is a root of its own' : `hangs from ${nameOf(parent)}`;
      warn(
        `PAIR_${end.toUpperCase()}_DETACHED`,
        `The ${side} ${end} ${nameOf(joint)} ${where}, not from the ${bone}: it needs keys of its own, or it stays behind.`,
        joint,
      );
    }
  }
  const armsFrom = commonAncestor(skeleton, [assignment.arms.left.top, assignment.arms.right.top]);
  const isOnTrunk = [...body.spineChain, ...body.neckChain].includes(armsFrom);
  if (!isOnTrunk) {
    const from = armsFrom >= 0 ? nameOf(armsFrom) : 'different roots';
    warn('PAIR_ARMS_OFF_SPINE', `The arms hang from ${from}, not from the spine: they do not follow it.`);
  }
  for (const { text, logOdds } of facing.clues) {
    if (logOdds < -1) inform('PAIR_FACING_CONFLICT', `Speaks against the facing that was found: not so that ${text}.`);
  }
  if (frame.unsure.includes('facing')) {
    warn(
      'PAIR_FACING_UNSURE',
      `Front and back, and with them left and right, are only ${Math.round(100 * facing.certainty)} % sure. Say which way the figure looks with --facing.`,
    );
  }
  if (poseFrame !== null) {
    inform(
      'PAIR_POSE_FROM_CLIP',
      `The zero pose is no human posture; frame ${poseFrame} of the clip was read in its place.`,
    );
  }
  const unsure = entries.filter(
    ([role]) => (readings[role]?.confidence ?? 0) < SURE && !/Thumb|Index|Middle|Ring|Little|Eye/.test(role),
  );
  if (unsure.length > 0 && !frame.unsure.includes('facing')) {
    inform('PAIR_UNSURE', `Worth a look: ${unsure.map(([role, j]) => `${role} ${nameOf(j)}`).join(', ')}.`);
  }
  return notes;
}
