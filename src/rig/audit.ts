import { BODY_PARTS, type BodyPart } from './body-parts.ts';
import { type ExerciseMeasures, runExercise } from './exercise.ts';
import { FINDING_RULES, type Finding, type Severity } from './finding.ts';
import { checkInside } from './inside.ts';
import { checkJoints } from './joints.ts';
import { checkNames } from './names.ts';
import { checkPlacement } from './placement.ts';
import { checkSpread } from './spread.ts';
import { type AuditInput, viewRig } from './view.ts';
import { checkWeights } from './weights.ts';

export type { ExerciseMeasures } from './exercise.ts';
export type { Finding, FindingId, FindingPlace, Severity } from './finding.ts';
export type { AuditInput, RigFacts } from './view.ts';

/** What an audit says of a rig. Plain data. */
export interface Audit {
  name: string;
  /** No faults: warnings and notes may be there. */
  sound: boolean;
  counts: Record<Severity, number>;
  /** Most important first. */
  findings: Finding[];
  /** 0 to 100 a body part that the rig has; 100 where nothing was found. */
  scores: { part: BodyPart; score: number }[];
  /** What the exercise clip showed; null for a body that is no humanoid, and without a mesh. */
  exercise: ExerciseMeasures | null;
}

export interface AuditOptions {
  /** Play the exercise clip and measure the skin; default true. */
  exercise?: boolean;
}

/** What a finding takes from the score of each part it lies in. A convention of this program. */
const COST: Record<Severity, number> = { fault: 35, warning: 15, note: 2 };
const ORDER: Record<Severity, number> = { fault: 0, warning: 1, note: 2 };

/**
 * Looks a rig over before any motion: names, joints, binding and weights, then the skin in the exercise clip, in the words
 * of whoever built it. What needs roles is left out where the body has none. Allocates freely, changes nothing, throws nothing.
 */
export function auditRig(input: AuditInput, options: AuditOptions = {}): Audit {
  const view = viewRig(input);
  const weights = checkWeights(view);
  const findings = [
    ...weights,
    ...checkSpread(view, weights),
    ...checkPlacement(view),
    ...checkJoints(view),
    ...checkInside(view),
    ...checkNames(view),
  ];
  const exercise = options.exercise === false ? null : runExercise(view);
  findings.push(...(exercise?.findings ?? []));
  return { ...judge(input, findings), exercise: exercise?.measures ?? null };
}

/** Sorts, counts and scores. */
function judge({ name, body }: AuditInput, findings: readonly Finding[]): Omit<Audit, 'exercise'> {
  const sorted = [...findings].sort(
    (a, b) => ORDER[a.severity] - ORDER[b.severity] || FINDING_RULES[b.id].rank - FINDING_RULES[a.id].rank,
  );
  const counts: Record<Severity, number> = { fault: 0, warning: 0, note: 0 };
  for (const { severity } of sorted) counts[severity]++;
  const parts = body.humanoid ? BODY_PARTS : (['whole'] as const);
  const scores = parts.map((part) => {
    const cost = sorted.reduce((sum, { severity, parts }) => sum + (parts.includes(part) ? COST[severity] : 0), 0);
    return { part, score: Math.max(0, 100 - cost) };
  });
  return { name, sound: counts.fault === 0, counts, findings: sorted, scores };
}
