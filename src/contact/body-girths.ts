import { mulQuat, rotateVec } from '../math/quat.ts';
import { distanceVec, dotVec, lengthVec, subVec } from '../math/vec.ts';
import { type Role, sidedRole } from '../pairing/roles.ts';
import type { Actor } from '../retarget/actor.ts';
import { SIDES } from '../skeleton/side.ts';
import { restWorldPose, type WorldPose } from '../skeleton/skeleton.ts';
import { heaviestJoint, type SkinMesh, skinVertices } from '../skeleton/skin.ts';
import { type Girth, roundGirth, shareAlong } from './surface.ts';

/** Parts of a body that a hand may rest on, as their surface lies around the line of each. */
const ROUND_PARTS = ['thigh', 'forearm', 'hand'] as const;
type RoundPart = (typeof ROUND_PARTS)[number];

/** How thick a body is, metres. */
export interface BodyGirths {
  head: Girth;
  /** Of the line between the hip joints; to the side: beyond them. */
  pelvis: Girth;
  thigh: Girth;
  forearm: Girth;
  /** Length of a hand. */
  hand: number;
  /** From the head joint to the crown. */
  headHeight: number;
}

/**
 * A person's girths as shares of standing height. Hand length: Drillis & Contini 1966, as printed in Winter, Biomechanics
 * and Motor Control of Human Movement, figure 4.1 (value from memory). The others are common anthropometry, no source:
 * half the mean of head breadth and length, thigh and forearm circumference over 2π, crown less ear height; the hip joint
 * lies as far behind the front of the pelvis as it lies within its side, and its seat farther behind.
 */
const SHARES = {
  head: 0.05,
  pelvis: 0.05,
  seat: 0.08,
  thigh: 0.05,
  forearm: 0.025,
  hand: 0.108,
  headHeight: 0.1,
} as const;

/** Share of a part's vertices that lie within its girth: hair, horns and armour plates beyond do not count. */
const INSIDE: Record<RoundPart | 'head' | 'pelvis', number> = {
  head: 0.8,
  pelvis: 0.9,
  thigh: 0.8,
  forearm: 0.8,
  hand: 0.98,
};
/** Vertices so far over and under the hip joints tell the pelvis, as a share of the thigh. */
const PELVIS_BAND = 0.25;
/** A part with fewer vertices than this tells nothing. */
const ENOUGH_VERTICES = 12;
/** A measured girth this many times off a person's is a prop, not a body. */
const ODD = 6;

/** Girths as a person of the figure's height has them; where a mesh shows others, those. */
export function bodyGirths(actor: Actor, skins: readonly SkinMesh[] = []): BodyGirths {
  const { frame } = actor.body;
  const height = frame.height * frame.metresPerUnit;
  const girths: BodyGirths = {
    // Its line ends at the crown; under it the neck goes on.
    head: { ...roundGirth(SHARES.head * height), above: 0 },
    pelvis: { ...roundGirth(SHARES.pelvis * height), back: SHARES.seat * height },
    thigh: roundGirth(SHARES.thigh * height),
    forearm: roundGirth(SHARES.forearm * height),
    hand: SHARES.hand * height,
    headHeight: SHARES.headHeight * height,
  };
  if (skins.length > 0) measureMesh(actor, skins, girths);
  return girths;
}

function measureMesh(actor: Actor, skins: readonly SkinMesh[], girths: BodyGirths): void {
  const pose = restWorldPose(actor.skeleton);
  const owner = partOfJoint(actor);
  const round: Record<RoundPart, number[]> = { thigh: [], forearm: [], hand: [] };
  const head = sidesOf(actor, pose, ['head', 'head', 'head']);
  const band = PELVIS_BAND * thighLength(actor, pose);
  const pelvis = sidesOf(actor, pose, ['hips', 'leftUpperLeg', 'rightUpperLeg'], band);
  const crown: number[] = [];
  const offset = new Float64Array(3);
  for (const skin of skins) {
    const vertices = new Float64Array(skin.vertexCount * 3);
    skinVertices(skin, pose, vertices, new Float64Array(skin.bind.length));
    for (let v = 0; v < skin.vertexCount; v++) {
      const joint = heaviestJoint(skin, v);
      if (joint < 0) continue;
      const own = owner[joint]!;
      if (own?.part === 'head') {
        if (head) addLevel(head, vertices, v);
        crown.push(vertices[v * 3 + 1]! - pose.positions[own.from * 3 + 1]!);
      } else if (own) {
        offsetFrom(offset, vertices, v, pose, own.from, own.to);
        round[own.part].push(lengthVec(offset, 0));
      }
      if (pelvis && (own === null || own.part === 'thigh')) addLevel(pelvis, vertices, v);
    }
  }
  for (const part of ROUND_PARTS) {
    const usual = part === 'hand' ? girths.hand : girths[part].side;
    const measured = plausible(quantileOf(round[part], INSIDE[part]), usual);
    if (part === 'hand') girths.hand = measured;
    else girths[part] = roundGirth(measured);
  }
  girths.headHeight = plausible(quantileOf(crown, 0.95), girths.headHeight);
  girths.head = girthOf(head, INSIDE.head, girths.head);
  girths.head.below = girths.head.side;
  girths.pelvis = girthOf(pelvis, INSIDE.pelvis, girths.pelvis);
}

function plausible(measured: number | null, usual: number): number {
  return measured !== null && measured < ODD * usual && measured > usual / ODD ? measured : usual;
}

/** Vertices around a line, level with it, by the side they lie on. */
interface Sides {
  pose: WorldPose;
  from: number;
  to: number;
  /** The part's left, up and ahead in the pose, as rows. */
  axes: Float64Array;
  /** Vertices farther above or below tell nothing. */
  band: number;
  side: number[];
  front: number[];
  back: number[];
}

/** Null where the figure lacks the part. */
function sidesOf(
  { body, alignment }: Actor,
  pose: WorldPose,
  [role, from, to]: readonly [Role, Role, Role],
  band = Number.POSITIVE_INFINITY,
): Sides | null {
  const joint = body.roles[role];
  const a = body.roles[from];
  const b = body.roles[to];
  if (joint === undefined || a === undefined || b === undefined) return null;
  const undo = alignment.posture.slice(joint * 4, joint * 4 + 4);
  for (let k = 0; k < 3; k++) undo[k] = -undo[k]!;
  mulQuat(undo, 0, pose.rotations, joint * 4, undo, 0);
  const axes = Float64Array.of(1, 0, 0, 0, 1, 0, 0, 0, 1);
  for (let k = 0; k < 9; k += 3) rotateVec(axes, k, undo, 0, axes, k);
  return { pose, from: a, to: b, axes, band, side: [], front: [], back: [] };
}

const level = new Float64Array(3);

function addLevel({ pose, from, to, axes, band, side, front, back }: Sides, vertices: Float64Array, v: number): void {
  subVec(level, 0, vertices, v * 3, pose.positions, from * 3);
  // First, as that leaves most vertices out.
  if (Math.abs(dotVec(level, 0, axes, 3)) > band) return;
  offsetFrom(level, vertices, v, pose, from, to);
  const x = dotVec(level, 0, axes, 0);
  const z = dotVec(level, 0, axes, 6);
  const list = Math.abs(x) > Math.abs(z) ? side : z > 0 ? front : back;
  list.push(Math.sqrt(x * x + z * z));
}

function girthOf(sides: Sides | null, share: number, usual: Girth): Girth {
  if (!sides) return usual;
  const measured = (key: 'side' | 'front' | 'back'): number => plausible(quantileOf(sides[key], share), usual[key]);
  return { ...usual, side: measured('side'), front: measured('front'), back: measured('back') };
}

function thighLength({ body: { roles } }: Actor, { positions }: WorldPose): number {
  const { leftUpperLeg: from, leftLowerLeg: to } = roles;
  return from === undefined || to === undefined ? 0 : distanceVec(positions, from * 3, positions, to * 3);
}

interface Owner {
  part: RoundPart | 'head';
  /** Joints at the ends of its line. */
  from: number;
  to: number;
}

/** The part that each joint's vertices belong to. */
function partOfJoint({ skeleton, body: { roles } }: Actor): (Owner | null)[] {
  const owner: (Owner | null)[] = new Array(skeleton.jointCount).fill(null);
  const roleOf = new Map<number, Role>();
  for (const [role, joint] of Object.entries(roles) as [Role, number][]) roleOf.set(joint, role);
  const own = (role: Role): Owner | null => {
    const from = roles[role]!;
    if (role === 'head') return { part: 'head', from, to: from };
    for (const side of SIDES) {
      if (role === sidedRole(side, 'UpperLeg'))
        return { part: 'thigh', from, to: roles[sidedRole(side, 'LowerLeg')] ?? from };
      if (role === sidedRole(side, 'LowerArm'))
        return { part: 'forearm', from, to: roles[sidedRole(side, 'Hand')] ?? from };
      const hand = roles[sidedRole(side, 'Hand')];
      const isFinger = /Thumb|Index|Middle|Ring|Little/.test(role) && role.startsWith(side);
      if (hand !== undefined && (role === sidedRole(side, 'Hand') || isFinger))
        return { part: 'hand', from: hand, to: hand };
    }
    return null;
  };
  for (let j = 0; j < skeleton.jointCount; j++) {
    const role = roleOf.get(j);
    const above = skeleton.parents[j]!;
    owner[j] = role ? own(role) : above >= 0 ? owner[above]! : null;
  }
  return owner;
}

const line = new Float64Array(3);

/** out = from the line between two joints to a vertex. */
function offsetFrom(
  out: Float64Array,
  vertices: Float64Array,
  v: number,
  { positions }: WorldPose,
  from: number,
  to: number,
): void {
  subVec(line, 0, positions, to * 3, positions, from * 3);
  subVec(out, 0, vertices, v * 3, positions, from * 3);
  const t = shareAlong(out, line);
  for (let k = 0; k < 3; k++) out[k]! -= t * line[k]!;
}

function quantileOf(values: number[], share: number): number | null {
  if (values.length < ENOUGH_VERTICES) return null;
  values.sort((a, b) => a - b);
  return values[Math.floor(share * (values.length - 1))]!;
}
