/** What of a body a hand may rest on, as lines between joints, and how near to them a hand counts as resting. */
import { rotateVec } from '../math/quat.ts';
import { addVec, copyVec, subVec } from '../math/vec.ts';
import { type Role, sidedRole } from '../pairing/roles.ts';
import type { Actor } from '../retarget/actor.ts';
import type { Side } from '../skeleton/side.ts';
import type { WorldPose } from '../skeleton/skeleton.ts';
import type { BodyGirths } from './body-girths.ts';

/** Distances of the wrist from a part's line, in arm lengths of the performer: near below the first, until beyond the second. */
export const NEAR = {
  /** From the other wrist. */
  hand: [0.26, 0.36],
  head: [0.3, 0.4],
  pelvis: [0.25, 0.33],
  thigh: [0.21, 0.27],
  forearm: [0.17, 0.23],
  /** Height over the floor. */
  floor: [0.2, 0.3],
} as const;

/** What a hand was held to: a part of the body, the other hand, or the floor. */
export type HandPart = 'hand' | 'head' | 'pelvis' | 'leftThigh' | 'rightThigh' | 'forearm' | 'floor';

/** A line of the body that a hand may rest on: between two joints, or from the head joint to the crown. */
export interface Part {
  name: Exclude<HandPart, 'hand' | 'floor'>;
  near: readonly [number, number];
  /** Role whose anatomical frame the offset is kept in. */
  frame: Role;
  from: Role;
  /** Null: the crown. */
  to: Role | null;
  girth: 'head' | 'pelvis' | 'thigh' | 'forearm';
  /** Share of the line that counts: the end of a forearm is the hand, which is met as one. */
  until: number;
}

export function partsFor(side: Side): Part[] {
  const other: Side = side === 'left' ? 'right' : 'left';
  const thigh = (of: Side): Part => ({
    name: `${of}Thigh`,
    near: NEAR.thigh,
    frame: sidedRole(of, 'UpperLeg'),
    from: sidedRole(of, 'UpperLeg'),
    to: sidedRole(of, 'LowerLeg'),
    girth: 'thigh',
    until: 1,
  });
  return [
    { name: 'head', near: NEAR.head, frame: 'head', from: 'head', to: null, girth: 'head', until: 1 },
    {
      name: 'pelvis',
      near: NEAR.pelvis,
      frame: 'hips',
      from: 'leftUpperLeg',
      to: 'rightUpperLeg',
      girth: 'pelvis',
      until: 1,
    },
    thigh('left'),
    thigh('right'),
    {
      name: 'forearm',
      near: NEAR.forearm,
      frame: sidedRole(other, 'LowerArm'),
      from: sidedRole(other, 'LowerArm'),
      to: sidedRole(other, 'Hand'),
      girth: 'forearm',
      until: 0.7,
    },
  ];
}

/** A part's line on one figure, in joints. */
export interface Line {
  joint: number;
  /** Canonical posture of the joint, inverted. */
  undo: Float64Array;
  from: number;
  to: number;
  /** For the head: from the joint to the crown, in the joint's frame. */
  crown: Float64Array | null;
}

/** Null where the figure lacks the part. */
export function lineOf({ body, alignment }: Actor, part: Part, girths: BodyGirths): Line | null {
  const joint = body.roles[part.frame];
  const from = body.roles[part.from];
  const to = part.to === null ? from : body.roles[part.to];
  if (joint === undefined || from === undefined || to === undefined) return null;
  const undo = Float64Array.from(alignment.posture.subarray(joint * 4, joint * 4 + 4), (x, k) => (k < 3 ? -x : x));
  let crown: Float64Array | null = null;
  if (part.to === null) {
    crown = Float64Array.of(0, girths.headHeight, 0);
    rotateVec(crown, 0, undo, 0, crown, 0);
  }
  return { joint, undo, from, to, crown };
}

/** Where a line begins in a pose, and the way along it. */
export function readLine(
  { positions, rotations }: WorldPose,
  line: Line,
  from: Float64Array,
  along: Float64Array,
): void {
  copyVec(from, 0, positions, line.from * 3);
  if (line.crown) rotateVec(along, 0, rotations, line.joint * 4, line.crown, 0);
  else subVec(along, 0, positions, line.to * 3, positions, line.from * 3);
}

/** An arm's joints on one figure; `end` is -1 where it has no hand joint, and `limb` tells its place in the alignment. */
export interface ArmJoints {
  limb: number;
  lower: number;
  end: number;
}

/** Writes where the wrist is in a pose to frame `f` of a path. */
export function readWrist(
  path: Float64Array,
  f: number,
  { positions, rotations }: WorldPose,
  actor: Actor,
  arm: ArmJoints,
): void {
  if (arm.end >= 0) copyVec(path, f * 3, positions, arm.end * 3);
  else {
    rotateVec(path, f * 3, rotations, arm.lower * 4, actor.alignment.limbEnds, arm.limb * 3);
    addVec(path, f * 3, path, f * 3, positions, arm.lower * 3);
  }
}
