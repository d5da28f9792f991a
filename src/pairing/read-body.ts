import type { Note } from '../errors.ts';
import { type Clip, framePose, restLocalPose } from '../skeleton/clip.ts';
import { createWorldPose, restWorldPose, type Skeleton } from '../skeleton/skeleton.ts';
import type { SkinMesh } from '../skeleton/skin.ts';
import { assignRoles } from './assign-roles.ts';
import type { Body, BodyFrame } from './body.ts';
import { type FrameOverride, findUnit, findUp, measureFrame } from './body-frame.ts';
import { bodyNotes } from './body-notes.ts';
import { explainRoles } from './explain-roles.ts';
import { findFacing } from './facing.ts';
import { type Figure, readFigure } from './figure.ts';
import { findHelpers } from './helpers.ts';
import { type Interpretation, interpret } from './interpretation.ts';
import { interpretByName, liesAlongOneLine } from './interpretation-by-name.ts';
import { readMeshShape } from './mesh-shape.ts';
import { readNames } from './names.ts';
import { cross, dot, minus, norm, type Point, plus } from './point.ts';
import { makePrior, type Prior } from './prior.ts';
import { REQUIRED_ROLES, ROLES, type Role } from './roles.ts';
import { findSymmetry, type Symmetry } from './symmetry.ts';
import { judgeBody } from './verdict.ts';

/** What a person has decided beforehand. */
export interface BodyConstraints {
  /** Settled roles: a joint, or null for "the figure has none". */
  fixed?: { [role in Role]?: number | null };
  /** Joints that must not play a role, or no role at all where none is given. */
  forbidden?: readonly { joint: number; role?: Role }[];
  override?: FrameOverride;
}

export interface BodyInput extends BodyConstraints {
  /** File space, in the reference pose. */
  skeleton: Skeleton;
  /** A motion on that skeleton: knees, elbows and the way walked tell front from back. */
  clip?: Clip;
  skins?: readonly SkinMesh[];
  /** Whether any skin lists the joint, a joint. */
  skinned?: Uint8Array;
  /** The file's own table of roles: taken as certain. */
  table?: { standard: string; joints: { readonly [role: string]: number } };
  /** The format declares metres and +Y up, as glTF 2.0 does: taken as declared, and what follows is stated. */
  declaredMetres?: boolean;
}

/** Frames of a clip that are tried where the zero pose is no posture. */
const POSES_TRIED = 12;
/** The zero pose is used unless a frame of the clip fits a body better by this much log evidence. */
const POSE_GAIN = 4;

/**
 * Reads a skeleton as a body: which joint plays which role, how the body stands in its file, and what the other joints
 * are. Names, shape, motion and the file's own table count together; none of them is needed, and the result says
 * what spoke for and against each reading. What is not a human body is refused with the reason (`humanoid: false`).
 * Allocates freely; throws nothing.
 */
export function readBody(input: BodyInput): Body {
  const { skeleton, clip, table, fixed = {}, forbidden = [], override = {} } = input;
  const declaredMetres = input.declaredMetres ?? false;
  const names = readNames(skeleton.names);
  const restPose = restWorldPose(skeleton);
  const mesh = readMeshShape(input.skins ?? [], skeleton.jointCount, restPose);
  const { settled, settledBy } = settledRoles(table?.joints ?? {}, fixed);
  const prior = makePrior(names, settled, forbidden, deformingJoints(skeleton, mesh?.weight ?? null, input.skinned));

  const { figure, symmetry, body: shaped, frame: poseFrame } = choosePose(skeleton, clip, prior);
  let body = shaped;
  let verdict = judgeBody(figure, symmetry, body, prior, skeleton.names);
  if (!verdict.humanoid && (isNoPosture(figure) || isSettledBody(settled))) {
    const byName = interpretByName(figure, symmetry, prior);
    if (byName && (isSettledBody(settled) || liesAlongOneLine(figure, byName))) {
      body = byName;
      verdict = judgeBody(figure, symmetry, body, prior, skeleton.names);
    } else if (!byName && !shaped) {
      const reason =
        'the pose is no posture (nearly all bones lie along one line) and its names do not make a body: its motion is needed';
      verdict = { humanoid: false, reason };
    }
  }
  if (!body || !verdict.humanoid) return refused(figure, verdict.reason, override, declaredMetres);

  const declaredUp: Point | null = declaredMetres ? [0, 1, 0] : null;
  const up = findUp(body, declaredUp, override);
  const posedMesh = poseFrame === null ? mesh : null;
  let facing = findFacing(
    figure,
    symmetry,
    body,
    up.up,
    prior,
    posedMesh,
    clip,
    frontOf(table?.standard, declaredMetres),
  );
  if (override.facing) {
    const given: Point = [...override.facing];
    const isSame = dot(given, facing.facing) >= 0;
    const left = isSame ? facing.left : (cross(up.up, facing.facing).map((v) => -v) as Point);
    facing = {
      facing: isSame ? facing.facing : (facing.facing.map((v) => -v) as Point),
      left,
      certainty: 1,
      clues: [],
    };
  }
  const assignment = assignRoles(figure, symmetry, prior, body, facing);
  const { roles } = assignment;
  const frame = measureFrame(figure, body, posedMesh, up, facing, override, declaredMetres);
  const context = { figure, symmetry, prior, height: body.height };
  const readings = explainRoles(
    figure,
    context,
    body,
    assignment,
    facing,
    prior,
    settledBy,
    table?.standard ?? 'own',
    clip,
  );
  const trunk = [body.hips, ...body.spineChain, ...body.neckChain, body.head];
  const helpers = findHelpers(figure, names, body, roles, trunk, frame.facing, prior.deforms);
  return {
    humanoid: true,
    reason: verdict.reason,
    readings,
    roles,
    spineChain: body.spineChain,
    neckChain: body.neckChain,
    helpers,
    frame,
    poseFrame,
    notes: bodyNotes(figure, body, assignment, facing, frame, names, readings, poseFrame),
  };
}

/** Whether a table or a person has named hips, head and both joints of all four limbs. */
function isSettledBody(settled: ReadonlyMap<Role, number | null>): boolean {
  const limbs = REQUIRED_ROLES.filter((role) => !/spine|Foot|Hand/.test(role));
  return limbs.every((role) => typeof settled.get(role) === 'number');
}

/** Share of bone length along one direction from which a pose is no posture: in one, legs point down and the spine up. */
const ONE_LINE = 0.6;

/** Whether nearly all bones point one and the same way. */
function isNoPosture({ points, boneLengths, skeleton }: Figure): boolean {
  let sum: Point = [0, 0, 0];
  let total = 0;
  for (let j = 0; j < skeleton.jointCount; j++) {
    const parent = skeleton.parents[j]!;
    if (parent < 0) continue;
    sum = plus(sum, minus(points[j]!, points[parent]!));
    total += boneLengths[j]!;
  }
  return total > 0 && norm(sum) / total > ONE_LINE;
}

function settledRoles(
  table: { readonly [role: string]: number },
  fixed: BodyConstraints['fixed'],
): { settled: Map<Role, number | null>; settledBy: Map<Role, 'table' | 'hand'> } {
  const settled = new Map<Role, number | null>();
  const settledBy = new Map<Role, 'table' | 'hand'>();
  for (const role of ROLES) {
    const joint = table[role];
    const byHand = fixed?.[role];
    if (byHand !== undefined) {
      settled.set(role, byHand);
      settledBy.set(role, 'hand');
    } else if (joint !== undefined) {
      settled.set(role, joint);
      settledBy.set(role, 'table');
    }
  }
  // A joint that a person has given away is no longer what the table says it is.
  for (const [role, joint] of settled) {
    if (settledBy.get(role) !== 'table') continue;
    const isGivenAway = [...settled].some(
      ([other, j]) => other !== role && j === joint && settledBy.get(other) === 'hand',
    );
    if (isGivenAway) {
      settled.delete(role);
      settledBy.delete(role);
    }
  }
  return { settled, settledBy };
}

/** Joints that move the mesh: by weight where there is one, else by the skin's list; null where neither tells joints apart. */
function deformingJoints(skeleton: Skeleton, weight: Float64Array | null, skinned?: Uint8Array): Uint8Array | null {
  if (weight) return Uint8Array.from(weight, (w) => (w > 1e-3 ? 1 : 0));
  const listed = skinned?.reduce((sum, flag) => sum + flag, 0) ?? 0;
  return listed > 0 && listed < skeleton.jointCount ? Uint8Array.from(skinned!) : null;
}

/** Where a format has characters look, as far as a standard says so. */
function frontOf(
  standard: string | undefined,
  isGltf: boolean,
): { direction: Point; logOdds: number; text: string } | null {
  if (standard === 'VRM 0.x') return { direction: [0, 0, -1], logOdds: 1.5, text: 'VRM 0.x characters face -Z' };
  if (standard === 'VRM 1.0') return { direction: [0, 0, 1], logOdds: 1.5, text: 'VRM 1.0 characters face +Z' };
  return isGltf ? { direction: [0, 0, 1], logOdds: 0.6, text: 'the front of a glTF asset faces +Z' } : null;
}

interface PoseReading {
  figure: Figure;
  symmetry: Symmetry;
  body: Interpretation | null;
  /** The clip frame whose pose was read, or null for the reference pose. */
  frame: number | null;
}

/** Reads the reference pose; where that is no human posture, the frame of the clip that reads best as one. */
function choosePose(skeleton: Skeleton, clip: Clip | undefined, prior: Prior): PoseReading {
  const read = (figure: Figure, frame: number | null): PoseReading => {
    const symmetry = findSymmetry(figure, prior.names, prior.deforms);
    return { figure, symmetry, body: interpret(figure, symmetry, prior), frame };
  };
  const rest = read(readFigure(skeleton, restWorldPose(skeleton)), null);
  const looksRight = rest.body !== null && rest.body.uprightness > 0.5 && rest.symmetry.sharpness > 0.6;
  if (looksRight || !clip || clip.frameCount === 0) return rest;
  let best = rest;
  const pose = createWorldPose(skeleton.jointCount);
  const scratch = restLocalPose(skeleton);
  for (let i = 0; i < POSES_TRIED; i++) {
    const f = Math.floor(((i + 0.5) / POSES_TRIED) * clip.frameCount);
    framePose(skeleton, clip, f, scratch, pose);
    const reading = read(readFigure(skeleton, pose), f);
    const bar = (best.body?.score ?? Number.NEGATIVE_INFINITY) + (best.frame === null ? POSE_GAIN : 0);
    if (reading.body && reading.body.score > bar) best = reading;
  }
  return best;
}

/** A body that is none: the frame is as good as it can be without one. */
function refused(figure: Figure, reason: string, override: FrameOverride, declaredMetres: boolean): Body {
  const up: Point = override.up ? [...override.up] : [0, 1, 0];
  let floor = Number.POSITIVE_INFINITY;
  let top = Number.NEGATIVE_INFINITY;
  for (const p of [...figure.points, ...figure.tips.flat()]) {
    floor = Math.min(floor, dot(p, up));
    top = Math.max(top, dot(p, up));
  }
  if (top < floor) floor = top = 0;
  const height = top - floor;
  // Nothing can be said of the unit of a point.
  const measured =
    height > 0 ? findUnit(height, height) : { metresPerUnit: 1, evidence: 'there is no height to judge by' };
  const frame: BodyFrame = {
    up,
    facing: override.facing ? [...override.facing] : [0, 0, 1],
    metresPerUnit: override.metresPerUnit ?? (declaredMetres ? 1 : measured.metresPerUnit),
    height,
    floor,
    evidence: {
      up: override.up
        ? 'given by hand'
        : declaredMetres
          ? 'the format declares +Y'
          : 'not measured: this is no human body',
      facing: override.facing ? 'given by hand' : 'not measured: this is no human body',
      metresPerUnit: override.metresPerUnit
        ? 'given by hand'
        : declaredMetres
          ? 'the format declares metres'
          : measured.evidence,
      height: 'highest less lowest joint or tip',
      floor: 'lowest joint or tip in the reference pose',
    },
    unsure: ['up', 'facing', 'metresPerUnit'],
  };
  const notes: Note[] = [{ code: 'PAIR_NOT_HUMANOID', severity: 'warning', message: reason }];
  return {
    humanoid: false,
    reason,
    readings: {},
    roles: {},
    spineChain: [],
    neckChain: [],
    helpers: [],
    frame,
    poseFrame: null,
    notes,
  };
}
