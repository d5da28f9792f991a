import { existsSync, readFileSync } from 'node:fs';
import { parseBvh } from '../../src/formats/bvh/index.ts';
import { createDracoDecoder } from '../../src/formats/gltf/draco.ts';
import { readContainerFile } from '../../src/formats/gltf/node.ts';
import { readCharacter } from '../../src/formats/gltf/read-character.ts';
import type { Body } from '../../src/pairing/body.ts';
import { type MotionFrame, readMotionFrame } from '../../src/pairing/motion-frame.ts';
import { type BodyInput, readBody } from '../../src/pairing/read-body.ts';
import { mirrorRole, REQUIRED_ROLES, ROLES, type Role } from '../../src/pairing/roles.ts';
import type { Clip } from '../../src/skeleton/clip.ts';
import type { Skeleton } from '../../src/skeleton/skeleton.ts';

/** The shared rigs and clips with their role tables; absent on a machine that has the project alone. */
export const TRUTH_FOLDER = new URL('../../../shared/data/', import.meta.url).pathname;
export const hasTruth = existsSync(`${TRUTH_FOLDER}rigs/truth.json`) && existsSync(`${TRUTH_FOLDER}bvh/truth.json`);
export const NO_TRUTH = `the folder ${TRUTH_FOLDER} is missing`;

type Answer = string | null | (string | null)[];

export interface TruthFile {
  folder: 'rigs' | 'bvh';
  name: string;
  humanoid: boolean;
  roles?: Partial<Record<Role, Answer>>;
  up?: string;
  facing?: string;
  height: number;
  unit_to_m?: number | null;
  zero_pose?: { up: string; facing: string; height: number };
  motion?: { up: string; facing_at_start: string | number[]; first_motion_frame: number; floor: number };
}

/** All files of both tables, rigs first. */
export function loadTruth(): TruthFile[] {
  return (['rigs', 'bvh'] as const).flatMap((folder) => {
    const { files } = JSON.parse(readFileSync(`${TRUTH_FOLDER}${folder}/truth.json`, 'utf8')) as {
      files: { [name: string]: Omit<TruthFile, 'folder' | 'name'> };
    };
    return Object.entries(files).map(([name, facts]) => ({ ...facts, folder, name }));
  });
}

/** What `readBody` takes, read from a truth file, and how its joints are called in the table. */
export interface Subject {
  truth: TruthFile;
  input: BodyInput;
  /** Name of each joint in the truth table: its own, or `#` and the node index. */
  labels: string[];
}

export async function loadSubject(truth: TruthFile): Promise<Subject> {
  const path = `${TRUTH_FOLDER}${truth.folder}/${truth.name}`;
  if (truth.folder === 'bvh') {
    const { skeleton, clip } = parseBvh(readFileSync(path), truth.name).takes[0]!;
    return { truth, input: { skeleton, clip }, labels: [...skeleton.names] };
  }
  const { skeleton, skins, skinned, humanoidTable } = readCharacter(readContainerFile(path), {
    dracoDecoder: await createDracoDecoder(),
  });
  const input = { skeleton, skins, skinned, table: humanoidTable ?? undefined, declaredMetres: true };
  return { truth, input, labels: [...skeleton.names] };
}

/** The same figure with names that say nothing, and without the file's own table. */
export function eraseNames(input: BodyInput): BodyInput {
  const names = input.skeleton.names.map((_, j) => `bone_${String(j).padStart(3, '0')}`);
  const tips = input.skeleton.tips.map(({ joint, offset }) => ({ joint, offset }));
  return { ...input, skeleton: { ...input.skeleton, names, tips }, table: undefined };
}

export interface Score {
  file: string;
  humanoidRight: boolean;
  requiredRight: number;
  requiredCount: number;
  rolesRight: number;
  rolesCount: number;
  swaps: number;
  frameRight: number;
  frameCount: number;
  faults: string[];
  /** Whether the body itself says that front and back are in doubt. */
  saysUnsure: boolean;
  body: Body;
  motion: MotionFrame | null;
}

/** Directions of the table count as met within this angle: a facing is read to the nearest axis there. */
const DIRECTION_TOLERANCE = (30 * Math.PI) / 180;
/** Heights and floors of the table are rounded, and leave out or count tips and fingers. */
const HEIGHT_TOLERANCE = 0.06;

export function scoreSubject(subject: Subject, input: BodyInput = subject.input): Score {
  const { truth, labels } = subject;
  const body = readBody(input);
  const score: Score = {
    file: truth.name,
    humanoidRight: body.humanoid === truth.humanoid,
    requiredRight: 0,
    requiredCount: 0,
    rolesRight: 0,
    rolesCount: 0,
    swaps: 0,
    frameRight: 0,
    frameCount: 0,
    faults: [],
    saysUnsure: body.frame.unsure.includes('facing'),
    body,
    motion: null,
  };
  if (!score.humanoidRight) score.faults.push(`humanoid ${body.humanoid}, expected ${truth.humanoid}: ${body.reason}`);
  if (!truth.humanoid || !truth.roles) return score;
  scoreRoles(score, body, truth.roles, labels);
  if (body.humanoid) scoreFrame(score, truth, body, input.skeleton, input.clip);
  return score;
}

function scoreRoles(score: Score, body: Body, table: NonNullable<TruthFile['roles']>, labels: string[]): void {
  const accepts = (role: Role, label: string | null): boolean => {
    const answer = table[role] ?? null;
    return Array.isArray(answer) ? answer.includes(label) : answer === label;
  };
  for (const role of ROLES) {
    const joint = body.roles[role];
    const label = joint === undefined ? null : labels[joint]!;
    const isRequired = REQUIRED_ROLES.includes(role);
    const isRight = accepts(role, label);
    score.rolesCount++;
    if (isRight) score.rolesRight++;
    if (isRequired) score.requiredCount++;
    if (isRequired && isRight) score.requiredRight++;
    const isSwapped = !isRight && label !== null && mirrorRole(role) !== role && accepts(mirrorRole(role), label);
    if (isSwapped) score.swaps++;
    if (!isRight) {
      const expected = JSON.stringify(table[role] ?? null);
      score.faults.push(
        `${isRequired ? 'REQUIRED ' : ''}${isSwapped ? 'SWAP ' : ''}${role}: ${label}, expected ${expected}`,
      );
    }
  }
}

function scoreFrame(score: Score, truth: TruthFile, body: Body, skeleton: Skeleton, clip: Clip | undefined): void {
  const check = (name: string, isRight: boolean, got: string, expected: string): void => {
    score.frameCount++;
    if (isRight) score.frameRight++;
    else score.faults.push(`frame ${name}: ${got}, expected ${expected}`);
  };
  const show = (v: readonly number[]): string => v.map((x) => x.toFixed(2)).join(' ');
  const pose = truth.zero_pose ?? { up: truth.up!, facing: truth.facing!, height: truth.height };
  const { frame } = body;
  check('up', isNear(frame.up, pose.up), show(frame.up), pose.up);
  check('facing', isNear(frame.facing, pose.facing), show(frame.facing), pose.facing);
  const heightMiss = Math.abs(frame.height / pose.height - 1);
  check('height', heightMiss < HEIGHT_TOLERANCE, frame.height.toFixed(2), String(pose.height));
  if (truth.folder !== 'bvh') return;
  if (truth.unit_to_m) {
    const isRight = Math.abs(frame.metresPerUnit / truth.unit_to_m - 1) < 0.01;
    check('metresPerUnit', isRight, frame.metresPerUnit.toPrecision(3), String(truth.unit_to_m));
  } else
    check(
      'metresPerUnit unsure',
      frame.unsure.includes('metresPerUnit'),
      frame.metresPerUnit.toPrecision(3),
      'a doubt',
    );
  if (!clip || !truth.motion) return;
  const motion = readMotionFrame(skeleton, clip, body);
  score.motion = motion;
  const { up, facing_at_start, first_motion_frame, floor } = truth.motion;
  check('motion up', isNear(motion.up, up), show(motion.up), up);
  check(
    'facing at start',
    isNear(motion.facingAtStart, facing_at_start),
    show(motion.facingAtStart),
    String(facing_at_start),
  );
  const first = motion.firstMotionFrame;
  check('first motion frame', first === first_motion_frame, String(first), String(first_motion_frame));
  const isFloorRight = Math.abs(motion.floor - floor) < 0.01 * truth.height;
  check('floor', isFloorRight, motion.floor.toFixed(2), String(floor));
}

/** Compares a direction with `+Y` or three numbers. */
function isNear(v: readonly number[], expected: string | readonly number[]): boolean {
  const target = typeof expected === 'string' ? axisOf(expected) : expected;
  const dot = v.reduce((sum, x, k) => sum + x * target[k]!, 0);
  return dot / (Math.hypot(...v) * Math.hypot(...target)) > Math.cos(DIRECTION_TOLERANCE);
}

function axisOf(name: string): number[] {
  const axis = [0, 0, 0];
  axis['XYZ'.indexOf(name[1]!)] = name[0] === '-' ? -1 : 1;
  return axis;
}

/** What the tables ask of pairing: with names all required roles and 98 % of all; without, 95 % of the required. */
export const BOUNDS = {
  named: { required: 1, roles: 0.98 },
  erased: { required: 0.95, roles: 0 },
} as const;

export interface Summary {
  required: number;
  roles: number;
  swaps: number;
  verdicts: number;
  frame: number;
  /** Sentences about what is below the bounds; empty when all is met. */
  misses: string[];
}

export function summarize(scores: readonly Score[], kind: keyof typeof BOUNDS): Summary {
  const sum = (pick: (score: Score) => number): number => scores.reduce((total, score) => total + pick(score), 0);
  const required = sum((s) => s.requiredRight) / sum((s) => s.requiredCount);
  const roles = sum((s) => s.rolesRight) / sum((s) => s.rolesCount);
  // Without names a body that is the same in front and behind may be read the wrong way round, if it says so.
  const swaps = sum((s) => (kind === 'erased' && s.saysUnsure ? 0 : s.swaps));
  const verdicts = scores.filter((s) => !s.humanoidRight).length;
  const frame = sum((s) => s.frameRight) / sum((s) => s.frameCount);
  const misses: string[] = [];
  const bound = BOUNDS[kind];
  if (required < bound.required)
    misses.push(`required roles ${percent(required)}, asked for ${percent(bound.required)}`);
  if (roles < bound.roles) misses.push(`all roles ${percent(roles)}, asked for ${percent(bound.roles)}`);
  if (swaps > 0) misses.push(`${swaps} roles swapped left and right`);
  if (verdicts > 0) misses.push(`${verdicts} files taken for what they are not`);
  return { required, roles, swaps, verdicts, frame, misses };
}

export const percent = (x: number): string => `${(100 * x).toFixed(1)} %`;
