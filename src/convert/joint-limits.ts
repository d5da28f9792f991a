import type { Note } from '../errors.ts';
import {
  axisAngleQuat,
  invertQuat,
  mulInverseQuat,
  mulQuat,
  rotateVec,
  rotationBetween,
  twistOf,
} from '../math/quat.ts';
import { lengthVec } from '../math/vec.ts';
import { type Role, sidedRole } from '../pairing/roles.ts';
import type { Actor } from '../retarget/actor.ts';
import { type Clip, clipWith, framePose, restLocalPose } from '../skeleton/clip.ts';
import { LOADED_DORSIFLEXION, RANGES_OF_MOTION, type RangeOfMotion } from '../skeleton/joint-ranges.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { createWorldPose } from '../skeleton/skeleton.ts';

/**
 * Published ranges of motion, measured on a motion and, on demand, enforced. For animation, not for medical use.
 *
 * Angles are those of one segment in the frame of the one that carries it, both taken from the canonical posture, so
 * joint axes and rest poses play no part. Inside its range a joint is not touched at all; beyond, the excess is
 * compressed: it approaches `SOFT` and never passes it, continuous in value and slope.
 */
const SOFT = 5; // degrees
/** What a hinge may turn off its axis: tibial rotation and carrying angle, and capture noise. Common practice, no source. */
const OFF_AXIS = 20; // degrees
/** An excess of less is not worth a note: capture noise and the scatter between people. Degrees. */
const WORTH_A_NOTE = 5;
/** A whole turn of the hip is cut where it is equally far from both ends of the range. */
const HIP_LOWEST = (RANGES_OF_MOTION.hipFlexion.min + RANGES_OF_MOTION.hipFlexion.max) / 2 - 180;
/** A thigh this far out to the side has no flexion: share of its length in the plane of walking. */
const SAGITTAL_LEAST = 0.5;

const DEGREES = 180 / Math.PI;

type RangeName = keyof typeof RANGES_OF_MOTION;

const RANGES: Readonly<Record<RangeName, RangeOfMotion>> = {
  ...RANGES_OF_MOTION,
  ankleFlexion: { ...RANGES_OF_MOTION.ankleFlexion, max: LOADED_DORSIFLEXION },
};

export interface RangeExcess {
  range: RangeName;
  /** The joint's role. */
  role: Role;
  /** Furthest angle beyond the range, degrees, and by how much. */
  angle: number;
  excess: number;
  /** Frames outside of the range, and the worst one. */
  frames: number;
  worstFrame: number;
}

export interface LimitedMotion {
  /** Within the ranges, softly; the very clip that was given where nothing leaves them. */
  clip: Clip;
  excesses: RangeExcess[];
}

/** A joint with its ranges: how its rotation against the carrying segment is taken apart and put together again. */
interface Limit {
  joint: number;
  role: Role;
  carrier: number;
  kind: 'hinge' | 'hip' | 'ankle' | 'shoulder' | 'wrist' | 'trunk' | 'neck';
  side: Side | null;
}

function limitsOf({ body }: Actor): Map<number, Limit> {
  const { roles, spineChain, neckChain } = body;
  const limits = new Map<number, Limit>();
  const add = (
    joint: number | undefined,
    role: Role,
    carrier: number | undefined,
    kind: Limit['kind'],
    side: Side | null,
  ): void => {
    if (joint !== undefined && carrier !== undefined) limits.set(joint, { joint, role, carrier, kind, side });
  };
  for (const joint of spineChain) add(joint, 'spine', roles.hips, 'trunk', null);
  const chest = spineChain[spineChain.length - 1] ?? roles.hips;
  for (const joint of [...neckChain, roles.head]) add(joint, 'neck', chest, 'neck', null);
  for (const side of SIDES) {
    const part = (name: 'UpperLeg' | 'LowerLeg' | 'Foot' | 'UpperArm' | 'LowerArm' | 'Hand') => sidedRole(side, name);
    add(roles[part('UpperLeg')], part('UpperLeg'), roles.hips, 'hip', side);
    add(roles[part('LowerLeg')], part('LowerLeg'), roles[part('UpperLeg')], 'hinge', side);
    add(roles[part('Foot')], part('Foot'), roles[part('LowerLeg')], 'ankle', side);
    add(roles[part('UpperArm')], part('UpperArm'), chest, 'shoulder', side);
    add(roles[part('LowerArm')], part('LowerArm'), roles[part('UpperArm')], 'hinge', side);
    add(roles[part('Hand')], part('Hand'), roles[part('LowerArm')], 'wrist', side);
  }
  return limits;
}

/** Frames that are looked at when a motion is only measured. */
const SAMPLES = 300;

/** Where a motion leaves the published ranges, in frames evenly spread over it. Throws nothing. */
export function measureExcesses(actor: Actor, clip: Clip): RangeExcess[] {
  const step = Math.max(1, Math.floor(clip.frameCount / SAMPLES));
  const rows = clip.jointCount * 4;
  const frameCount = Math.ceil(clip.frameCount / step);
  const rotations = new Float32Array(frameCount * rows);
  for (let f = 0; f < frameCount; f++) {
    rotations.set(clip.rotations.subarray(f * step * rows, (f * step + 1) * rows), f * rows);
  }
  const sampled = clipWith(clip, {
    frameCount,
    rotations,
    translationJoints: new Int16Array(0),
    translations: new Float32Array(0),
  });
  return limitJoints(actor, sampled).excesses.map((excess) => ({
    ...excess,
    frames: excess.frames * step,
    worstFrame: excess.worstFrame * step,
  }));
}

/**
 * Measures where a motion leaves the published ranges, and gives it with all joints inside of them. The input is not
 * touched; allocates its result; throws nothing.
 */
export function limitJoints(actor: Actor, clip: Clip): LimitedMotion {
  const { skeleton, alignment } = actor;
  const { jointCount } = clip;
  const limits = limitsOf(actor);
  const carriers = new Set([...limits.values()].map(({ carrier }) => carrier));
  const excesses = new Map<string, RangeExcess>();
  const rotations = clip.rotations.slice();
  const local = restLocalPose(skeleton);
  const pose = createWorldPose(jointCount);
  const world = new Float64Array(jointCount * 4);
  /** What a segment is turned by against the canonical posture: as it was and as it is now. */
  const was = new Float64Array(jointCount * 4);
  const now = new Float64Array(jointCount * 4);
  const undo = new Float64Array(jointCount * 4);
  for (let j = 0; j < jointCount; j++) invertQuat(undo, j * 4, alignment.posture, j * 4);
  const rel = new Float64Array(4);
  const limited = new Float64Array(4);
  const keep = new Float64Array(4);
  let isChanged = false;
  for (let f = 0; f < clip.frameCount; f++) {
    framePose(skeleton, clip, f, local, pose);
    for (let j = 0; j < jointCount; j++) {
      const at = j * 4;
      const p = skeleton.parents[j]!;
      if (p < 0) world.set(local.rotations.subarray(at, at + 4), at);
      else mulQuat(world, at, world, p * 4, local.rotations, at);
      const limit = limits.get(j);
      if (limit) {
        const c = limit.carrier * 4;
        mulQuat(was, at, pose.rotations, at, undo, at);
        mulInverseQuat(rel, 0, was, c, was, at);
        const note = (range: RangeName, angle: number): void => noteExcess(excesses, limit, range, angle, f);
        if (applyLimit(limited, rel, limit, note)) {
          isChanged = true;
          mulQuat(keep, 0, now, c, limited, 0);
          mulQuat(world, at, keep, 0, alignment.posture, at);
          if (p < 0) keep.set(world.subarray(at, at + 4));
          else mulInverseQuat(keep, 0, world, p * 4, world, at);
          rotations.set(keep, (f * jointCount + j) * 4);
        }
      }
      if (!limit && !carriers.has(j)) continue;
      mulQuat(was, at, pose.rotations, at, undo, at);
      mulQuat(now, at, world, at, undo, at);
    }
  }
  return { clip: isChanged ? clipWith(clip, { rotations }) : clip, excesses: [...excesses.values()] };
}

function noteExcess(all: Map<string, RangeExcess>, { role }: Limit, range: RangeName, angle: number, f: number): void {
  const excess = outside(angle, RANGES[range]);
  if (excess === 0) return;
  const key = `${role} ${range}`;
  const known = all.get(key);
  if (!known) all.set(key, { range, role, angle, excess, frames: 1, worstFrame: f });
  else {
    // A chain of joints may leave the range in one frame more than once.
    known.frames++;
    if (excess > known.excess) Object.assign(known, { angle, excess, worstFrame: f });
  }
}

function outside(angle: number, { min, max }: RangeOfMotion): number {
  return Math.max(0, angle - max, min - angle);
}

/** The angle, or what the soft limit makes of it. */
function soften(angle: number, { min, max }: RangeOfMotion | { min: number; max: number }): number {
  if (angle > max) return max + SOFT * (1 - Math.exp((max - angle) / SOFT));
  if (angle < min) return min - SOFT * (1 - Math.exp((angle - min) / SOFT));
  return angle;
}

/**
 * Writes the rotation that the limits leave of `rel` (a segment against its carrier, axes of the canonical posture: X left,
 * Y up, Z ahead) to `out`.
 * @returns whether it differs
 */
function applyLimit(
  out: Float64Array,
  rel: Float64Array,
  limit: Limit,
  note: (range: RangeName, angle: number) => void,
): boolean {
  const { kind, side, role } = limit;
  const s = side === 'right' ? -1 : 1;
  switch (kind) {
    case 'hinge': {
      const isKnee = role.endsWith('LowerLeg');
      const axis = isKnee ? ([1, 0, 0] as const) : ([0, -s, 0] as const);
      const range = isKnee ? 'kneeFlexion' : 'elbowFlexion';
      // A forearm turns about its own length too; that is no fault of the hinge.
      return limitTurn(out, rel, axis, range, isKnee ? OFF_AXIS : null, note);
    }
    case 'ankle':
      return limitTurn(out, rel, [-1, 0, 0], 'ankleFlexion', null, note);
    case 'wrist':
      return limitTurn(out, rel, [0, 0, -s], 'wristFlexion', null, note);
    case 'hip':
      return limitHip(out, rel, s, note);
    case 'shoulder':
      return limitShoulder(out, rel, s, note);
    case 'trunk':
      return limitColumn(out, rel, 'trunkFlexion', 'trunkBend', 'trunkRotation', note);
    case 'neck':
      return limitColumn(out, rel, 'neckFlexion', 'neckBend', 'neckRotation', note);
  }
}

const turn = new Float64Array(4);
const rest = new Float64Array(4);
const direction = new Float64Array(3);
const aim = new Float64Array(3);

/** A turn about one axis within a range; with `offAxis`, the rest of the rotation at most so many degrees. */
function limitTurn(
  out: Float64Array,
  rel: Float64Array,
  [x, y, z]: readonly [number, number, number],
  range: RangeName,
  offAxis: number | null,
  note: (range: RangeName, angle: number) => void,
): boolean {
  const angle = twistOf(turn, 0, rel, 0, x, y, z) * DEGREES;
  // rel = rest · turn.
  invertQuat(turn, 0, turn, 0);
  mulQuat(rest, 0, rel, 0, turn, 0);
  const swing = 2 * Math.atan2(lengthVec(rest, 0), Math.abs(rest[3]!)) * DEGREES;
  note(range, angle);
  const angleLeft = soften(angle, RANGES[range]);
  const swingLeft = offAxis === null ? swing : soften(swing, { min: 0, max: offAxis });
  if (angleLeft === angle && swingLeft === swing) return false;
  scaleTurn(rest, swing > 0 ? swingLeft / swing : 1);
  axisAngleQuat(turn, 0, x, y, z, angleLeft / DEGREES);
  mulQuat(out, 0, rest, 0, turn, 0);
  return true;
}

/** Flexion and abduction of the thigh's direction, and its turn about its length. */
function limitHip(
  out: Float64Array,
  rel: Float64Array,
  s: number,
  note: (range: RangeName, angle: number) => void,
): boolean {
  aim.set([0, -1, 0]);
  rotateVec(direction, 0, rel, 0, aim, 0);
  const abduction = Math.asin(Math.max(-1, Math.min(1, s * direction[0]!))) * DEGREES;
  const isSagittal = Math.hypot(direction[1]!, direction[2]!) > SAGITTAL_LEAST;
  let flexion = Math.atan2(direction[2]!, -direction[1]!) * DEGREES;
  if (flexion < HIP_LOWEST) flexion += 360;
  const inward = -s * splitAbout(rel) * DEGREES;
  note('hipAbduction', abduction);
  if (isSagittal) note('hipFlexion', flexion);
  note('hipRotation', inward);
  // Once abduction is within its range, there is a flexion.
  const flexionLeft = soften(flexion, RANGES.hipFlexion);
  const abductionLeft = soften(abduction, RANGES.hipAbduction);
  const inwardLeft = soften(inward, RANGES.hipRotation);
  if (flexionLeft === flexion && abductionLeft === abduction && inwardLeft === inward) return false;
  const a = abductionLeft / DEGREES;
  const b = flexionLeft / DEGREES;
  direction.set([s * Math.sin(a), -Math.cos(a) * Math.cos(b), Math.cos(a) * Math.sin(b)]);
  rotationBetween(out, 0, aim, 0, direction, 0);
  axisAngleQuat(turn, 0, 0, 1, 0, (-s * inwardLeft) / DEGREES);
  mulQuat(out, 0, out, 0, turn, 0);
  return true;

  /** Turn about +Y after the shortest way of the direction, radians. */
  function splitAbout(q: Float64Array): number {
    rotationBetween(rest, 0, aim, 0, direction, 0);
    mulInverseQuat(rest, 0, rest, 0, q, 0);
    return twistOf(turn, 0, rest, 0, 0, 1, 0);
  }
}

/** Extension of the upper arm: how far its direction goes behind the body. */
function limitShoulder(
  out: Float64Array,
  rel: Float64Array,
  s: number,
  note: (range: RangeName, angle: number) => void,
): boolean {
  aim.set([s, 0, 0]);
  rotateVec(direction, 0, rel, 0, aim, 0);
  const behind = Math.asin(Math.max(-1, Math.min(1, direction[2]!))) * DEGREES;
  note('shoulderFlexion', behind);
  const left = soften(behind, RANGES.shoulderFlexion);
  if (left === behind) return false;
  const flat = Math.hypot(direction[0]!, direction[1]!);
  const k = flat > 0 ? Math.cos(left / DEGREES) / flat : 0;
  aim.set(direction);
  direction.set([direction[0]! * k, direction[1]! * k, Math.sin(left / DEGREES)]);
  rotationBetween(turn, 0, aim, 0, direction, 0);
  mulQuat(out, 0, turn, 0, rel, 0);
  return true;
}

/** Flexion, bend and rotation of trunk or neck against what carries it. */
function limitColumn(
  out: Float64Array,
  rel: Float64Array,
  flexionRange: RangeName,
  bendRange: RangeName,
  rotationRange: RangeName,
  note: (range: RangeName, angle: number) => void,
): boolean {
  const rotation = twistOf(turn, 0, rel, 0, 0, 1, 0) * DEGREES;
  invertQuat(turn, 0, turn, 0);
  mulQuat(rest, 0, rel, 0, turn, 0);
  const sine = lengthVec(rest, 0);
  const swing = 2 * Math.atan2(sine, Math.abs(rest[3]!)) * DEGREES;
  const sign = rest[3]! < 0 ? -1 : 1;
  // The swing has its axis square to Y: about +X it bows ahead, about -Z it leans to the left.
  const flexion = sine > 0 ? (sign * swing * rest[0]!) / sine : 0;
  const bend = sine > 0 ? (-sign * swing * rest[2]!) / sine : 0;
  note(flexionRange, flexion);
  note(bendRange, bend);
  note(rotationRange, rotation);
  const flexionLeft = soften(flexion, RANGES[flexionRange]);
  const bendLeft = soften(bend, RANGES[bendRange]);
  const rotationLeft = soften(rotation, RANGES[rotationRange]);
  if (flexionLeft === flexion && bendLeft === bend && rotationLeft === rotation) return false;
  const size = Math.hypot(flexionLeft, bendLeft);
  if (size > 0) axisAngleQuat(rest, 0, flexionLeft / size, 0, -bendLeft / size, size / DEGREES);
  else rest.set([0, 0, 0, 1]);
  axisAngleQuat(turn, 0, 0, 1, 0, rotationLeft / DEGREES);
  mulQuat(out, 0, rest, 0, turn, 0);
  return true;
}

/** The same axis, so many times the angle. */
function scaleTurn(q: Float64Array, share: number): void {
  const sine = lengthVec(q, 0);
  if (sine === 0) return;
  const sign = q[3]! < 0 ? -1 : 1;
  const angle = 2 * Math.atan2(sine, Math.abs(q[3]!)) * share;
  const k = (sign * Math.sin(angle / 2)) / sine;
  for (let i = 0; i < 3; i++) q[i]! *= k;
  q[3] = Math.cos(angle / 2);
}

/** What a person reads about a motion that leaves the ranges: the widest first, at most six. */
export function rangeNotes({ skeleton, body }: Actor, excesses: readonly RangeExcess[], enforced: boolean): Note[] {
  return excesses
    .filter(({ excess }) => excess > WORTH_A_NOTE)
    .sort((a, b) => b.excess - a.excess)
    .slice(0, 6)
    .map(({ range, role, angle, frames, worstFrame }) => {
      const { positive, negative, min, max } = RANGES[range];
      const isPositive = angle > max;
      const way = isPositive ? positive : negative;
      const reached = Math.abs(angle).toFixed(0);
      const limit = Math.abs(isPositive ? max : min);
      const joint = body.roles[role];
      return {
        code: 'RANGE_LEFT',
        severity: 'info' as const,
        message: `${role}: ${way} of ${reached}° in ${frames} frames; published range ${limit}° (for animation, not medical use). ${enforced ? 'Brought back into it.' : 'Left as it is.'}`,
        place: { joint: joint === undefined ? undefined : skeleton.names[joint], frame: worstFrame },
      };
    });
}
