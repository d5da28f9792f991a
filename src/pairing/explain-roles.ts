import type { Clip } from '../skeleton/clip.ts';
import type { Assignment } from './assign-roles.ts';
import type { RoleReading } from './body.ts';
import type { Facing } from './facing.ts';
import type { Figure } from './figure.ts';
import type { Interpretation } from './interpretation.ts';
import { type LimbChain, type LimbContext, limbShapeEvidence } from './limbs.ts';
import { readJointMotion } from './motion-evidence.ts';
import { type NameReading, nameEvidence, type Part, saysSomething } from './names.ts';
import { directionName, distance, dot, minus } from './point.ts';
import type { Prior } from './prior.ts';
import { SHARE_OF_HEIGHT } from './proportions.ts';
import { PARENT_ROLE, type Role, sideOf } from './roles.ts';

/** Where a settled role comes from. */
export type SettledBy = ReadonlyMap<Role, 'table' | 'hand'>;

/** The part whose name evidence a role is judged by. */
export function partOfRole(role: Role): Part {
  const bare = role.replace(/^(left|right)/, '');
  const digit = /^(Thumb|Index|Middle|Ring|Little)/.exec(bare);
  if (digit) return digit[1]!.toLowerCase() as Part;
  return (bare[0]!.toLowerCase() + bare.slice(1)) as Part;
}

/** Confidence that shape alone gives an average limb; a cartoon one gets less. */
const SHAPE_BEST = 0.85;

/**
 * Explains each role in sentences, strongest first, and says how sure it is: shape and name count as independent
 * witnesses (1 − Π(1 − cᵢ)), a name that contradicts halves the trust, and a sided role is no surer than the sides are.
 */
export function explainRoles(
  figure: Figure,
  context: LimbContext,
  body: Interpretation,
  assignment: Assignment,
  facing: Facing,
  prior: Prior,
  settledBy: SettledBy,
  tableName: string,
  clip: Clip | undefined,
): Partial<Record<Role, RoleReading>> {
  const readings: Partial<Record<Role, RoleReading>> = {};
  const limbs = [...Object.values(assignment.arms), ...Object.values(assignment.legs)];
  for (const [role, joint] of Object.entries(assignment.roles) as [Role, number][]) {
    const evidence: { text: string; weight: number }[] = [];
    const side = sideOf(role);
    const settled = settledBy.get(role);
    const shape = shapeWitness(figure, context, body, assignment, role, joint, limbs);
    const name = nameWitness(figure.skeleton.names[joint]!, prior.names[joint]!, role);
    if (settled === 'hand') evidence.push({ text: 'fixed by hand', weight: 3 });
    if (settled === 'table') evidence.push({ text: `the ${tableName} humanoid table of the file says so`, weight: 2 });
    if (name.text) evidence.push({ text: name.text, weight: Math.abs(name.confidence - 0.4) + 0.4 });
    evidence.push({ text: shape.text, weight: shape.confidence });
    const motion = clip ? motionWitness(clip, role, joint) : null;
    if (motion) evidence.push({ text: motion.text, weight: motion.confidence });
    let confidence = 1 - (1 - shape.confidence) * (1 - Math.max(0, name.confidence)) * (1 - (motion?.confidence ?? 0));
    if (name.confidence < 0) confidence *= 0.7;
    if (side !== null) {
      confidence = Math.min(confidence, facing.certainty);
      const to = directionName(side === 'left' ? facing.left : [-facing.left[0], -facing.left[1], -facing.left[2]]);
      evidence.push({
        text: `${side} side, since the body faces ${directionName(facing.facing)} and it lies towards ${to}`,
        weight: 0.3,
      });
    }
    if (settled) confidence = settled === 'hand' ? 1 : 0.99;
    evidence.sort((a, b) => b.weight - a.weight);
    readings[role] = {
      role,
      joint,
      confidence: Math.round(confidence * 1000) / 1000,
      evidence: evidence.map((e) => e.text),
    };
  }
  return readings;
}

function nameWitness(name: string, reading: NameReading, role: Role): { confidence: number; text: string | null } {
  if (!saysSomething(reading)) return { confidence: 0, text: null };
  const part = partOfRole(role);
  const value = Math.max(nameEvidence(reading, part), isDigit(part) ? (reading.parts.finger ?? -9) : -9);
  const words = [reading.side, ...reading.words].filter((word) => word !== null).join(', ');
  const side = sideOf(role);
  if (side !== null && reading.side !== null && reading.side !== side) {
    return { confidence: -1, text: `name "${name}" says ${reading.side}, but the joint lies on the ${side}` };
  }
  if (value <= 0) return { confidence: -1, text: `name "${name}" (${words}) speaks of something else` };
  const confidence = value >= 2.5 ? 0.85 : value >= 1.5 ? 0.75 : 0.5;
  return { confidence, text: `name "${name}": ${words}` };
}

/** Knees and elbows turn about one axis, and far; hips, shoulders and wrists about several. */
function motionWitness(clip: Clip, role: Role, joint: number): { confidence: number; text: string } | null {
  if (!/Lower(Leg|Arm)$/.test(role)) return null;
  const motion = readJointMotion(clip, joint);
  if (!motion || motion.range < HINGE_MIN_RANGE) return null;
  const degrees = Math.round((motion.range * 180) / Math.PI);
  const text = `turns through ${degrees} degrees in the motion, ${Math.round(100 * motion.hinge)} % of it about one axis`;
  return { confidence: motion.hinge > HINGE_MIN_SHARE ? 0.5 : 0.1, text };
}

/** From this range and share on, a joint's motion speaks for a knee or an elbow. */
const HINGE_MIN_RANGE = (20 * Math.PI) / 180;
const HINGE_MIN_SHARE = 0.85;

const isDigit = (part: Part): boolean => ['thumb', 'index', 'middle', 'ring', 'little'].includes(part);

const SEGMENT_OF: Partial<Record<string, { share: keyof typeof SHARE_OF_HEIGHT; word: string }>> = {
  UpperLeg: { share: 'thigh', word: 'thigh' },
  LowerLeg: { share: 'shin', word: 'shin' },
  UpperArm: { share: 'upperArm', word: 'upper arm' },
  LowerArm: { share: 'lowerArm', word: 'forearm' },
};

function shapeWitness(
  figure: Figure,
  context: LimbContext,
  body: Interpretation,
  assignment: Assignment,
  role: Role,
  joint: number,
  limbs: readonly LimbChain[],
): { confidence: number; text: string } {
  const { points } = figure;
  const side = sideOf(role);
  const bare = role.replace(/^(left|right)/, '');
  const rise = dot(minus(points[joint]!, body.hipsAt), body.up) / body.height;
  const percent = (x: number): string => `${(100 * x).toFixed(0)} %`;
  const limb = limbs.find((l) => [l.girdle, l.upper, l.lower, l.end, l.toes].includes(joint));
  if (limb && side) {
    // About 0 for an average limb, -3 and less for a cartoon one.
    const fit = limbShapeEvidence(context, limb);
    let confidence = SHAPE_BEST * Math.max(0.5, Math.exp(Math.min(0, fit) / 8));
    if (joint === limb.girdle || joint === limb.toes) confidence *= 0.9;
    const segment = SEGMENT_OF[bare];
    const next = joint === limb.upper ? points[limb.lower]! : joint === limb.lower ? limb.endAt : null;
    if (segment && next) {
      const share = distance(points[joint]!, next) / body.height;
      const text = `its ${segment.word} is ${percent(share)} of the height (people: ${percent(SHARE_OF_HEIGHT[segment.share])})`;
      return { confidence, text };
    }
    if (bare === 'Foot') {
      const isDetached = !(joint > limb.lower && joint < figure.skeleton.subtreeEnd[limb.lower]!);
      if (isDetached) return { confidence: confidence * 0.95, text: 'stands outside the leg, where the shin ends' };
      return { confidence, text: 'ends the shin and carries what points forwards at the floor' };
    }
    if (bare === 'Hand')
      return { confidence, text: `ends the forearm; ${figure.children[joint]!.length} joints hang from it` };
    if (bare === 'Toes') return { confidence, text: 'lies in front of the ankle' };
    if (bare === 'Shoulder') return { confidence, text: 'stands between the spine and the upper arm' };
    return { confidence, text: `second joint of the ${limb.kind}` };
  }
  switch (role) {
    case 'hips':
      return {
        confidence: SHAPE_BEST,
        text: `carries both legs and the spine; ${percent(Math.abs(rise))} of the height ${rise < 0 ? 'below' : 'above'} the hip joints`,
      };
    case 'head':
      return { confidence: SHAPE_BEST, text: 'the highest joint of the middle line, above the shoulders' };
    case 'spine':
    case 'chest':
    case 'upperChest': {
      const index = body.spineChain.indexOf(joint);
      const count = body.spineChain.length;
      return {
        confidence: count <= 3 ? 0.8 : 0.7,
        text: `trunk joint ${index + 1} of ${count} between the hips and the arms`,
      };
    }
    case 'neck':
      return { confidence: 0.8, text: 'stands between the joint that carries the arms and the head' };
    case 'leftEye':
    case 'rightEye':
      return { confidence: 0.6, text: 'one of a pair on the head, in front of it' };
    case 'jaw':
      return { confidence: 0.3, text: 'a single joint on the head' };
    default: {
      const finger = assignment.fingers.find((reading) => reading.joint === joint);
      const place = finger?.isNamed === false ? ', told from the others by its place' : '';
      return {
        confidence: finger?.isNamed === false ? 0.55 : 0.5,
        text: `hangs from the ${PARENT_ROLE[role]}${place}`,
      };
    }
  }
}
