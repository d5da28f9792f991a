import {
  identityQuat,
  mulQuat,
  quatFromAxes,
  rotateVec,
  rotateVecInverse,
  rotateXyz,
  rotationBetween,
} from '../math/quat.ts';
import { addVec, crossVec, dotVec, lengthVec, normalizeVec, scaleVec, subVec } from '../math/vec.ts';
import type { Body } from '../pairing/body.ts';
import { ROLES, type Role, type RoleMap, type SidedPart, sidedRole, sideOf } from '../pairing/roles.ts';
import type { Side } from '../skeleton/side.ts';
import { isWithin, type Skeleton, type Tip, type WorldPose } from '../skeleton/skeleton.ts';

/**
 * Anatomical frames: for each role the rotation that carries the canonical posture onto the pose at hand.
 *
 * The canonical posture is the T-pose of the VRM 1.0 standard: upright, facing +Z, arms out to the sides with palms
 * down, legs straight down, feet level. In it every anatomical frame is the identity. Frames are built from joint
 * positions alone, never from joint axes, so a rolled or twisted axis changes nothing.
 *
 * Segments (thigh, shin, arms, hands) have their own long axis. What is curved by nature, or where rigs differ by
 * style (spine, neck, head, clavicles, fingers), moves with the segment it grows from: its rest shape is kept.
 */
export type AnatomicalFrames = Partial<Record<Role, Float64Array>>;

/** A trunk that leans less than this in its reference pose stands upright: the joints' lean is its build (rad). */
const UPRIGHT_LEAN = Math.PI / 6;
/** Bend from which a knee or elbow shows its hinge plane in the reference pose (rad). */
const TELLING_BEND = (12 * Math.PI) / 180;

const UP = Float64Array.of(0, 1, 0);
const FORWARD = Float64Array.of(0, 0, 1);

/** Canonical direction of a limb's segments. */
function canonicalDirection(side: Side, limb: 'leg' | 'arm'): Float64Array {
  if (limb === 'leg') return Float64Array.of(0, -1, 0);
  return Float64Array.of(side === 'left' ? 1 : -1, 0, 0);
}

/** Rotation that carries direction `d` onto `p`, and `s`, square to it, as near as possible to `q`. */
function frameFrom(d: Float64Array, s: Float64Array, p: Float64Array, q: Float64Array): Float64Array {
  const canonical = new Float64Array(4);
  const actual = new Float64Array(4);
  quatFromAxes(canonical, 0, d, 0, s, 0);
  quatFromAxes(actual, 0, p, 0, q, 0);
  for (let k = 0; k < 3; k++) canonical[k]! *= -1;
  mulQuat(actual, 0, actual, 0, canonical, 0);
  return actual;
}

function point(pose: WorldPose, joint: number): Float64Array {
  return pose.positions.slice(joint * 3, joint * 3 + 3);
}

function difference(a: Float64Array, b: Float64Array): Float64Array {
  const out = new Float64Array(3);
  subVec(out, 0, a, 0, b, 0);
  return out;
}

function mean(points: Float64Array[]): Float64Array | null {
  if (points.length === 0) return null;
  const out = new Float64Array(3);
  for (const p of points) addVec(out, 0, out, 0, p, 0);
  scaleVec(out, 0, out, 0, 1 / points.length);
  return out;
}

function rotated(q: Float64Array, v: Float64Array): Float64Array {
  const out = new Float64Array(3);
  rotateVec(out, 0, q, 0, v, 0);
  return out;
}

/** Part of `v` square to the unit vector `axis`. */
function squareTo(v: Float64Array, axis: Float64Array): Float64Array {
  const k = dotVec(v, 0, axis, 0);
  return Float64Array.of(v[0]! - k * axis[0]!, v[1]! - k * axis[1]!, v[2]! - k * axis[2]!);
}

/** End of a limb in a pose: the hand or foot joint, or the tip of the last segment where there is none. */
export function limbEndPoint(
  skeleton: Skeleton,
  pose: WorldPose,
  roles: RoleMap,
  side: Side,
  limb: 'leg' | 'arm',
): Float64Array | null {
  const end = roles[sidedRole(side, limb === 'leg' ? 'Foot' : 'Hand')];
  if (end !== undefined) return point(pose, end);
  const lower = roles[sidedRole(side, limb === 'leg' ? 'LowerLeg' : 'LowerArm')];
  if (lower === undefined) return null;
  return farthestBelow(skeleton, pose, lower);
}

/** The nearest joint or tip below `joint` that is not at the same place; null for a bare leaf. */
function farthestBelow(skeleton: Skeleton, pose: WorldPose, joint: number): Float64Array | null {
  const start = point(pose, joint);
  const candidates: Float64Array[] = [];
  for (let j = joint + 1; j < skeleton.subtreeEnd[joint]!; j++) {
    if (skeleton.parents[j] === joint) candidates.push(point(pose, j));
  }
  for (const tip of skeleton.tips) if (tip.joint === joint) candidates.push(tipPoint(pose, tip.joint, tip.offset));
  const away = candidates.filter((c) => lengthVec(difference(c, start), 0) > 1e-6);
  return mean(away);
}

export function tipPoint(pose: WorldPose, joint: number, offset: Tip['offset']): Float64Array {
  const out = new Float64Array(3);
  rotateXyz(out, 0, pose.rotations, joint * 4, ...offset);
  addVec(out, 0, out, 0, pose.positions, joint * 3);
  return out;
}

/** Frame of the trunk: up along the body, forward from the line between left and right limbs. */
function trunkFrame(pose: WorldPose, roles: RoleMap): Float64Array {
  const sides = (part: SidedPart): [Float64Array, Float64Array] | null => {
    const left = roles[sidedRole('left', part)];
    const right = roles[sidedRole('right', part)];
    return left === undefined || right === undefined ? null : [point(pose, left), point(pose, right)];
  };
  const legs = sides('UpperLeg');
  const arms = sides('UpperArm');
  const lateral = new Float64Array(3);
  for (const pair of [legs, arms]) {
    if (pair === null) continue;
    const across = difference(pair[0], pair[1]);
    normalizeVec(across, 0);
    addVec(lateral, 0, lateral, 0, across, 0);
  }
  if (lengthVec(lateral, 0) === 0) lateral[0] = 1;
  const low = legs ? mean(legs) : roles.hips === undefined ? null : point(pose, roles.hips);
  const highJoint = roles.neck ?? roles.head;
  const high = arms ? mean(arms) : highJoint === undefined ? null : point(pose, highJoint);
  let up: Float64Array = Float64Array.from(UP);
  if (low && high) {
    const trunk = difference(high, low);
    if (normalizeVec(trunk, 0) > 0 && Math.acos(Math.min(1, dotVec(trunk, 0, up, 0))) > UPRIGHT_LEAN) up = trunk;
  }
  const forward = new Float64Array(3);
  crossVec(forward, 0, lateral, 0, up, 0);
  return frameFrom(UP, FORWARD, up, forward);
}

/**
 * Frames of a limb's upper and lower segment. The second axis is the way the middle joint opens: forward in the
 * canonical posture for the elbow's forearm and for the kneecap. A bent limb shows it; a straight one takes the trunk's
 * forward, carried along by the shortest turn from the canonical direction.
 */
function limbFrames(
  trunk: Float64Array,
  side: Side,
  limb: 'leg' | 'arm',
  root: Float64Array,
  middle: Float64Array,
  end: Float64Array | null,
): { upper: Float64Array; lower: Float64Array } {
  const direction = canonicalDirection(side, limb);
  const upperLine = difference(middle, root);
  normalizeVec(upperLine, 0);
  const lowerLine = end ? difference(end, middle) : upperLine.slice();
  if (normalizeVec(lowerLine, 0) === 0) lowerLine.set(upperLine);

  const natural = (line: Float64Array): Float64Array => {
    const turn = new Float64Array(4);
    const inTrunk = new Float64Array(3);
    rotateVecInverse(inTrunk, 0, trunk, 0, line, 0);
    rotationBetween(turn, 0, direction, 0, inTrunk, 0);
    return rotated(trunk, rotated(turn, FORWARD));
  };

  let upperForward = natural(upperLine);
  const bend = Math.acos(Math.max(-1, Math.min(1, dotVec(upperLine, 0, lowerLine, 0))));
  if (bend > TELLING_BEND) {
    // A flexed elbow brings the forearm forward; a flexed knee takes the shin backward.
    const opening = squareTo(lowerLine, upperLine);
    if (limb === 'leg') scaleVec(opening, 0, opening, 0, -1);
    normalizeVec(opening, 0);
    if (dotVec(opening, 0, upperForward, 0) > 0.5) upperForward = opening;
  }
  const carry = new Float64Array(4);
  rotationBetween(carry, 0, upperLine, 0, lowerLine, 0);
  const lowerForward = rotated(carry, upperForward);
  return {
    upper: frameFrom(direction, FORWARD, upperLine, upperForward),
    lower: frameFrom(direction, FORWARD, lowerLine, lowerForward),
  };
}

/** Frame of a hand: long axis to the knuckles, thumb side from index to little finger or from the thumb. */
function handFrame(
  skeleton: Skeleton,
  pose: WorldPose,
  roles: RoleMap,
  side: Side,
  hand: number,
  forearm: Float64Array,
): Float64Array {
  const direction = canonicalDirection(side, 'arm');
  const wrist = point(pose, hand);
  const joints = (part: SidedPart): Float64Array | null => {
    const j = roles[sidedRole(side, part)];
    return j === undefined ? null : point(pose, j);
  };
  const knuckles = (['IndexProximal', 'MiddleProximal', 'RingProximal', 'LittleProximal'] as const)
    .map(joints)
    .filter((p): p is Float64Array => p !== null && lengthVec(difference(p, wrist), 0) > 1e-6);
  const reach = mean(knuckles) ?? (knuckles.length === 0 ? farthestBelow(skeleton, pose, hand) : null);
  const forearmLine = rotated(forearm, direction);
  let line: Float64Array = reach ? difference(reach, wrist) : forearmLine;
  // A prop slot or a thumb alone is no measure of the hand: it must point on from the forearm.
  if (normalizeVec(line, 0) === 0 || dotVec(line, 0, forearmLine, 0) < 0.5) line = forearmLine;

  let thumbSide = rotated(forearm, FORWARD);
  const index = joints('IndexProximal');
  const little = joints('LittleProximal') ?? joints('RingProximal') ?? joints('MiddleProximal');
  const thumb = joints('ThumbProximal') ?? joints('ThumbDistal') ?? joints('ThumbMetacarpal');
  const across = index && little ? squareTo(difference(index, little), line) : null;
  const outward = thumb ? squareTo(difference(thumb, wrist), line) : null;
  const size = lengthVec(difference(reach ?? wrist, wrist), 0);
  if (across && lengthVec(across, 0) > 0.1 * size && size > 0) thumbSide = across;
  else if (outward && lengthVec(outward, 0) > 0.1 * size && size > 0) thumbSide = outward;
  return frameFrom(direction, FORWARD, line, thumbSide);
}

/**
 * Frame of a foot: level sole up, toes forward.
 * @param soleUp  measured upward normal of the sole in world space; null: the pose stands on level feet
 */
function footFrame(
  skeleton: Skeleton,
  pose: WorldPose,
  roles: RoleMap,
  side: Side,
  foot: number,
  trunk: Float64Array,
  soleUp: Float64Array | null,
): Float64Array {
  const ankle = point(pose, foot);
  const toes = roles[sidedRole(side, 'Toes')];
  const ahead = toes !== undefined ? point(pose, toes) : farthestBelow(skeleton, pose, foot);
  const up = soleUp ?? rotated(trunk, UP);
  let forward: Float64Array = ahead ? squareTo(difference(ahead, ankle), up) : new Float64Array(3);
  const trunkForward = rotated(trunk, FORWARD);
  const length = ahead ? lengthVec(difference(ahead, ankle), 0) : 0;
  // A foot that points straight down has no heading of its own.
  if (lengthVec(forward, 0) < 0.2 * length || length === 0) forward = trunkForward;
  return frameFrom(UP, FORWARD, up, forward);
}

/** What a clip may tell about a figure that its reference pose does not. */
export interface MeasuredAnatomy {
  /** Upward normal of each sole in the foot joint's own frame, found where the feet stand. */
  soleUp: Partial<Record<Side, Float64Array>>;
}

/** Anatomical frame of every role that the figure has, in the given pose. Allocates. */
export function anatomicalFrames(
  skeleton: Skeleton,
  pose: WorldPose,
  body: Body,
  measured: MeasuredAnatomy = { soleUp: {} },
): AnatomicalFrames {
  const { roles } = body;
  const trunk = trunkFrame(pose, roles);
  const frames: AnatomicalFrames = {};
  const given = (role: Role): number | undefined => roles[role];

  for (const side of ['left', 'right'] as const) {
    for (const limb of ['leg', 'arm'] as const) {
      const upperRole = sidedRole(side, limb === 'leg' ? 'UpperLeg' : 'UpperArm');
      const lowerRole = sidedRole(side, limb === 'leg' ? 'LowerLeg' : 'LowerArm');
      const upper = given(upperRole);
      const lower = given(lowerRole);
      if (upper === undefined || lower === undefined) continue;
      const end = limbEndPoint(skeleton, pose, roles, side, limb);
      const pair = limbFrames(trunk, side, limb, point(pose, upper), point(pose, lower), end);
      frames[upperRole] = pair.upper;
      frames[lowerRole] = pair.lower;
    }
    const hand = given(sidedRole(side, 'Hand'));
    const forearm = frames[sidedRole(side, 'LowerArm')];
    if (hand !== undefined && forearm) {
      frames[sidedRole(side, 'Hand')] = handFrame(skeleton, pose, roles, side, hand, forearm);
    }
    const foot = given(sidedRole(side, 'Foot'));
    if (foot !== undefined) {
      const local = measured.soleUp[side];
      const up = local ? rotated(pose.rotations.subarray(foot * 4, foot * 4 + 4), local) : null;
      frames[sidedRole(side, 'Foot')] = footFrame(skeleton, pose, roles, side, foot, trunk, up);
    }
  }

  for (const role of ROLES) {
    if (given(role) === undefined || frames[role]) continue;
    const side = sideOf(role);
    const carrier = side === null ? undefined : carrierOf(role, side);
    frames[role] = (carrier && frames[carrier]) || trunk;
  }
  return frames;
}

/** The segment whose frame a role without one of its own moves with. */
function carrierOf(role: Role, side: Side): Role | undefined {
  if (/(Thumb|Index|Middle|Ring|Little)/.test(role)) return sidedRole(side, 'Hand');
  if (role === sidedRole(side, 'Toes')) return sidedRole(side, 'Foot');
  if (role === sidedRole(side, 'LowerLeg')) return sidedRole(side, 'UpperLeg');
  if (role === sidedRole(side, 'Hand')) return sidedRole(side, 'LowerArm');
  return undefined;
}

/**
 * World rotation of every joint when the figure stands in the canonical posture: frame⁻¹ · rotation for joints with a
 * role; a joint without one keeps its rotation relative to the nearest joint above it that has one, or, above all of
 * them, to the hips.
 * @returns xyzw, jointCount × 4
 */
export function canonicalPosture(
  skeleton: Skeleton,
  pose: WorldPose,
  body: Body,
  frames: AnatomicalFrames,
): Float64Array {
  const posture = new Float64Array(skeleton.jointCount * 4);
  const frameOf: (Float64Array | undefined)[] = new Array(skeleton.jointCount);
  for (const role of ROLES) {
    const joint = body.roles[role];
    if (joint !== undefined) frameOf[joint] = frames[role];
  }
  const hipsFrame = frames.hips ?? Float64Array.of(0, 0, 0, 1);
  const undo = new Float64Array(4);
  for (let j = 0; j < skeleton.jointCount; j++) {
    const above = skeleton.parents[j]!;
    frameOf[j] ??= above >= 0 ? frameOf[above] : hipsFrame;
    identityQuat(undo, 0);
    undo.set(frameOf[j]!);
    for (let k = 0; k < 3; k++) undo[k]! *= -1;
    mulQuat(posture, j * 4, undo, 0, pose.rotations, j * 4);
  }
  return posture;
}

/** Whether the foot's or hand's joint hangs outside the limb it ends. */
export function isDetached(skeleton: Skeleton, lower: number, end: number): boolean {
  return !isWithin(skeleton, lower, end);
}
