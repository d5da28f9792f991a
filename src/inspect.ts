import type { Note, Place } from './errors.ts';
import { inferFrameRate } from './formats/bvh/index.ts';
import type { Character, ReferencePoseKind } from './formats/gltf/character.ts';
import type { Body, HelperJoint } from './pairing/body.ts';
import { SURE } from './pairing/body.ts';
import { readMotionFrame } from './pairing/motion-frame.ts';
import { readRestPose } from './pairing/rest-pose.ts';
import { ROLES, type Role } from './pairing/roles.ts';
import type { Clip } from './skeleton/clip.ts';
import { createWorldPose, forwardKinematics, type Skeleton } from './skeleton/skeleton.ts';

/** A direction in the space of its file: an axis such as `+Y`, or three numbers where no axis is near. */
export type NamedDirection = string | [number, number, number];

/** One joint that plays a role. */
export interface InspectedRole {
  joint: string;
  /** 0 to 1; below 0.75 a person should look. */
  confidence: number;
  /** Sentences, strongest first. */
  evidence: string[];
}

/**
 * What is in a file, as `rigproof inspect --json` prints it. Members may be added; those here keep their meaning.
 * Lengths are in the unit of the file unless their name says otherwise.
 */
export interface Inspection {
  format: 'rigproof-inspection';
  version: 1;
  file: string;
  kind: 'clip' | 'character';
  fileFormat: 'BVH' | 'glTF' | 'VRM 0.x' | 'VRM 1.0';
  /** Number of joints. */
  joints: number;
  humanoid: boolean;
  /** Why it is taken for a humanoid, or why not. */
  reason: string;
  /** Only roles that were found. */
  roles: { [role in Role]?: InspectedRole };
  /** Joints without a role that matter all the same: twist joints, pole targets, controls, props, ears and tails. */
  helpers: { joint: string; kind: HelperJoint['kind']; of: Role | null }[];
  up: NamedDirection;
  facing: NamedDirection;
  metresPerUnit: number;
  height: number;
  heightMetres: number;
  /** Along `up`. */
  floor: number;
  /** How each measure was found, one sentence a measure. */
  evidence: { up: string; facing: string; metresPerUnit: string; height: string; floor: string; restPose: string };
  /** Measures that geometry does not settle. */
  unsure: ('up' | 'facing' | 'metresPerUnit')[];
  restPose: 'T' | 'A' | 'other';
  /** Degrees below the horizontal, mean of both arms, to a hundredth. */
  armsDown: number | null;
  /** Which of a character's poses is its reference, and how the others stand; null for a clip. */
  referencePose: {
    kind: ReferencePoseKind;
    reason: string;
    others: { kind: ReferencePoseKind; restPose: 'T' | 'A' | 'other' }[];
  } | null;
  /** Null for a character. */
  frames: number | null;
  fps: number | null;
  /** Seconds: frames times the time between two. Null for a character. */
  duration: number | null;
  /** How the motion of a clip stands, which may differ from its zero pose; null for a character or no human body. */
  motion: {
    up: NamedDirection;
    facingAtStart: NamedDirection;
    /** Along `up`. */
    floor: number;
    /** Frames before it are a rest pose or a blend from it. */
    firstFrame: number;
    evidence: { up: string; facingAtStart: string; floor: string; firstMotionFrame: string };
  } | null;
  /** Clips inside a character file; empty for a clip. Seconds. */
  animations: { name: string; duration: number }[];
  /** Meshes that joints move. */
  meshes: { name: string; vertices: number; triangles: number }[];
  warnings: { code: string; severity: 'info' | 'warning'; message: string; place: Place | null }[];
}

/** A figure that was read: a clip or a character. */
export interface InspectionInput {
  file: string;
  skeleton: Skeleton;
  body: Body;
  /** Of the reader; those of the body are added. */
  notes: readonly Note[];
  clip?: Clip;
  character?: Character;
}

/** A direction this near to an axis is called by it. Bodies are not built to the degree; common practice, no source. */
const AXIS_MAX = (10 * Math.PI) / 180;

/** Gathers what is known of a figure. Pure; throws nothing. */
export function inspectFigure({ file, skeleton, body, notes, clip, character }: InspectionInput): Inspection {
  const { frame } = body;
  const motion = clip && body.humanoid && clip.frameCount > 0 ? readMotionFrame(skeleton, clip, body) : null;
  const restPose = readRestPose(skeleton, body);
  const roles: Inspection['roles'] = {};
  for (const role of ROLES) {
    const joint = body.roles[role];
    if (joint === undefined) continue;
    const reading = body.readings[role];
    roles[role] = {
      joint: skeleton.names[joint]!,
      confidence: reading?.confidence ?? 1,
      evidence: reading?.evidence ?? ['set by hand'],
    };
  }
  return {
    format: 'rigproof-inspection',
    version: 1,
    file,
    kind: character ? 'character' : 'clip',
    fileFormat: character ? (character.humanoidTable?.standard ?? 'glTF') : 'BVH',
    joints: skeleton.jointCount,
    humanoid: body.humanoid,
    reason: body.reason,
    roles,
    helpers: body.helpers.map(({ joint, kind, of }) => ({ joint: skeleton.names[joint]!, kind, of: of ?? null })),
    up: nameDirection(frame.up),
    facing: nameDirection(frame.facing),
    metresPerUnit: frame.metresPerUnit,
    height: frame.height,
    heightMetres: frame.height * frame.metresPerUnit,
    floor: frame.floor,
    evidence: { ...frame.evidence, restPose: restPose.evidence },
    unsure: [...frame.unsure],
    restPose: restPose.kind,
    armsDown: restPose.armsDownDegrees === null ? null : toHundredth(restPose.armsDownDegrees),
    referencePose: character ? inspectPoses(character, body) : null,
    frames: clip ? clip.frameCount : null,
    fps: clip ? inferFrameRate(clip.frameDuration).fps : null,
    duration: clip ? clip.frameCount * clip.frameDuration : null,
    motion: motion && {
      up: nameDirection(motion.up),
      facingAtStart: nameDirection(motion.facingAtStart),
      floor: motion.floor,
      firstFrame: motion.firstMotionFrame,
      evidence: { ...motion.evidence },
    },
    animations: (character?.animations ?? []).map(({ name, duration }) => ({ name, duration })),
    meshes: (character?.skins ?? []).map(({ name, vertexCount, triangles }) => ({
      name,
      vertices: vertexCount,
      triangles: triangles.length / 3,
    })),
    warnings: [...notes, ...body.notes, ...(motion?.notes ?? [])].map(({ code, severity, message, place }) => ({
      code,
      severity,
      message,
      place: place ?? null,
    })),
  };
}

function inspectPoses(character: Character, body: Body): Inspection['referencePose'] {
  const { skeleton, referencePose, otherPoses } = character;
  const pose = createWorldPose(skeleton.jointCount);
  const others = otherPoses.map(({ kind, rotations, translations }) => {
    forwardKinematics(skeleton.parents, rotations, translations, pose);
    return { kind, restPose: readRestPose(skeleton, body, pose).kind };
  });
  return { kind: referencePose.kind, reason: referencePose.reason, others };
}

function nameDirection(direction: readonly [number, number, number]): NamedDirection {
  for (const [k, axis] of [...'XYZ'].entries()) {
    if (Math.abs(direction[k]!) >= Math.cos(AXIS_MAX)) return `${direction[k]! < 0 ? '-' : '+'}${axis}`;
  }
  return [...direction];
}

/** How parts of a text stand out. */
export interface TextMarks {
  sure(text: string): string;
  unsure(text: string): string;
  /** Evidence and other small print. */
  quiet(text: string): string;
}

const PLAIN: TextMarks = { sure: (text) => text, unsure: (text) => text, quiet: (text) => text };

const LABEL_WIDTH = 12;
/** Letters a line of evidence. */
const EVIDENCE_WIDTH = 96;

/** The inspection in words, a line an entry. */
export function describeInspection(inspection: Inspection, mark: TextMarks = PLAIN): string[] {
  const { evidence } = inspection;
  const rows: [string, string, string?][] = [
    [inspection.kind, `${inspection.fileFormat}, ${inspection.joints} joints`],
  ];
  if (inspection.kind === 'clip') {
    const { frames, fps, duration } = inspection;
    rows.push(['motion', `${frames} frames at ${round(fps!)} fps, ${round(duration!)} s`]);
  }
  if (inspection.motion) {
    const { up, facingAtStart, floor, firstFrame } = inspection.motion;
    const stands = `up ${directionText(up)}, faces ${directionText(facingAtStart)} at the start, floor at ${round(floor)}`;
    rows.push(
      ['', stands],
      ['', firstFrame > 0 ? `real motion from frame ${firstFrame} on` : 'real motion from the start'],
    );
  }
  for (const mesh of inspection.meshes) {
    rows.push(['mesh', `${mesh.name || '(no name)'}: ${mesh.vertices} vertices, ${mesh.triangles} triangles`]);
  }
  rows.push(['humanoid', inspection.humanoid ? mark.sure('yes') : mark.unsure('no'), inspection.reason]);
  const measure = (name: 'up' | 'facing' | 'metresPerUnit', text: string) =>
    inspection.unsure.includes(name) ? mark.unsure(`${text}, not sure`) : text;
  rows.push(
    ['up', measure('up', directionText(inspection.up)), evidence.up],
    ['facing', measure('facing', directionText(inspection.facing)), evidence.facing],
    ['unit', measure('metresPerUnit', `${round(inspection.metresPerUnit)} m`), evidence.metresPerUnit],
    ['height', `${round(inspection.height)} units, ${round(inspection.heightMetres)} m`, evidence.height],
    ['floor', `${round(inspection.floor)} units`, evidence.floor],
    ['rest pose', inspection.restPose === 'other' ? 'neither T nor A' : inspection.restPose, evidence.restPose],
  );
  if (inspection.referencePose) {
    const { kind, reason, others } = inspection.referencePose;
    rows.push(['taken from', kind, reason]);
    for (const other of others)
      rows.push(['', `${other.kind}: ${other.restPose === 'other' ? 'neither T nor A' : other.restPose}`]);
  }
  const { animations } = inspection;
  if (animations.length > 0) {
    const list = animations.map(({ name, duration }) => `${name || '(no name)'} ${round(duration)} s`).join(', ');
    rows.push(['animations', `${animations.length}: ${list}`]);
  }
  const lines = rows.flatMap(([label, value, why]) => [
    `  ${label.padEnd(LABEL_WIDTH)}${value}`,
    ...(why ? wrap(why).map((line) => ' '.repeat(LABEL_WIDTH + 4) + mark.quiet(line)) : []),
  ]);
  const roles = Object.entries(inspection.roles);
  if (roles.length > 0) {
    lines.push('', `  ${roles.length} roles`);
    const widest = Math.max(...roles.map(([, { joint }]) => joint.length));
    for (const [role, { joint, confidence, evidence: why }] of roles) {
      const percent = `${Math.round(confidence * 100)} %`.padStart(5);
      const isSure = confidence >= SURE;
      lines.push(
        `    ${role.padEnd(24)} ${joint.padEnd(widest)} ${isSure ? mark.sure(percent) : mark.unsure(percent)}${
          isSure ? '' : `  ${why[0] ?? ''}`
        }`.trimEnd(),
      );
    }
  }
  if (inspection.helpers.length > 0) {
    lines.push('', '  Joints without a role');
    for (const { joint, kind, of } of inspection.helpers)
      lines.push(`    ${kind.padEnd(8)} ${joint}${of ? ` (${of})` : ''}`);
  }
  return lines;
}

/** Without what is noise of Float32 files, and without -0. */
function toHundredth(value: number): number {
  return Math.round(value * 100) / 100 + 0;
}

function directionText(direction: NamedDirection): string {
  return typeof direction === 'string' ? direction : `(${direction.map(round).join(', ')})`;
}

function wrap(text: string): string[] {
  const lines: string[] = [];
  let line = '';
  for (const word of text.split(' ')) {
    if (line && line.length + 1 + word.length > EVIDENCE_WIDTH) {
      lines.push(line);
      line = '';
    }
    line += line ? ` ${word}` : word;
  }
  return [...lines, line];
}

/** Four significant digits, without trailing zeros. */
function round(value: number): string {
  return String(Number(value.toPrecision(4)));
}
