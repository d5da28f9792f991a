import { addVec, distanceVec, subVec } from '../math/vec.ts';
import { type Role, sidedRole } from '../pairing/roles.ts';
import type { Actor } from '../retarget/actor.ts';
import { SIDES } from '../skeleton/side.ts';
import { restWorldPose, type WorldPose } from '../skeleton/skeleton.ts';
import { heaviestJoint, type SkinMesh, skinVertices } from '../skeleton/skin.ts';

/** Parts of a body that a hand may rest on, and the hand itself. */
const GIRTH_PARTS = ['head', 'thigh', 'forearm', 'hand'] as const;
type GirthPart = (typeof GIRTH_PARTS)[number];

/** How thick a body is, metres: the distance of the surface from the line of each part; of a hand, its length. */
export interface BodyGirths extends Record<GirthPart, number> {
  /** From the middle to the side: hip joint and half a thigh. */
  pelvis: number;
  /** From the head joint to the crown. */
  headHeight: number;
}

/**
 * A person's girths as shares of standing height. Hand length: Drillis & Contini 1966, as printed in Winter, Biomechanics
 * and Motor Control of Human Movement, figure 4.1 (value from memory). The others are common anthropometry, no source:
 * half the mean of head breadth and length, thigh and forearm circumference over 2π, crown less ear height. For the
 * pelvis, that of hip joints which are not there.
 */
const SHARES: BodyGirths = {
  head: 0.05,
  pelvis: 0.0955,
  thigh: 0.05,
  forearm: 0.025,
  hand: 0.108,
  headHeight: 0.1,
};

/** Share of a part's vertices that lie within its girth: hair, horns and armour plates beyond do not count. */
const INSIDE: Record<GirthPart, number> = { head: 0.8, thigh: 0.8, forearm: 0.8, hand: 0.98 };
/** A part with fewer vertices than this tells nothing. */
const ENOUGH_VERTICES = 12;
/** A measured girth this many times off a person's is a prop, not a body. */
const ODD = 6;

/** Girths as a person of the figure's height has them; where a mesh shows others, those. */
export function bodyGirths(actor: Actor, skins: readonly SkinMesh[] = []): BodyGirths {
  const { frame, roles } = actor.body;
  const height = frame.height * frame.metresPerUnit;
  const girths = { ...SHARES };
  for (const key of Object.keys(girths) as (keyof BodyGirths)[]) girths[key] *= height;
  const pose = restWorldPose(actor.skeleton);
  if (skins.length > 0) measureMesh(actor, pose, skins, girths);
  const { leftUpperLeg: left, rightUpperLeg: right } = roles;
  if (left !== undefined && right !== undefined) {
    girths.pelvis = distanceVec(pose.positions, left * 3, pose.positions, right * 3) / 2 + girths.thigh;
  }
  return girths;
}

function measureMesh(actor: Actor, pose: WorldPose, skins: readonly SkinMesh[], girths: BodyGirths): void {
  const owner = partOfJoint(actor);
  const distances: Record<GirthPart, number[]> = { head: [], thigh: [], forearm: [], hand: [] };
  const crown: number[] = [];
  for (const skin of skins) {
    const vertices = new Float64Array(skin.vertexCount * 3);
    skinVertices(skin, pose, vertices, new Float64Array(skin.bind.length));
    for (let v = 0; v < skin.vertexCount; v++) {
      const joint = heaviestJoint(skin, v);
      const own = joint < 0 ? null : owner[joint]!;
      if (!own) continue;
      distances[own.part].push(distanceToLine(pose, vertices, v * 3, own.from, own.to, own.part));
      if (own.part === 'head') crown.push(vertices[v * 3 + 1]! - pose.positions[own.from * 3 + 1]!);
    }
  }
  for (const part of GIRTH_PARTS) {
    const measured = quantileOf(distances[part], INSIDE[part]);
    if (measured !== null && measured < ODD * girths[part] && measured > girths[part] / ODD) girths[part] = measured;
  }
  const height = quantileOf(crown, 0.95);
  if (height !== null && height < ODD * girths.headHeight && height > 0) girths.headHeight = height;
}

/** The part that each joint's vertices belong to, and the joints at the ends of its line. */
function partOfJoint({ skeleton, body }: Actor): ({ part: GirthPart; from: number; to: number } | null)[] {
  const { roles } = body;
  const owner: ({ part: GirthPart; from: number; to: number } | null)[] = new Array(skeleton.jointCount).fill(null);
  const roleOf = new Map<number, Role>();
  for (const [role, joint] of Object.entries(roles) as [Role, number][]) roleOf.set(joint, role);
  const own = (role: Role): (typeof owner)[number] => {
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

/** Distance of a vertex from the line; of the head level only. */
function distanceToLine(
  { positions }: WorldPose,
  vertices: Float64Array,
  v: number,
  from: number,
  to: number,
  part: GirthPart,
): number {
  const at = Float64Array.of(vertices[v]!, vertices[v + 1]!, vertices[v + 2]!);
  if (part === 'head') return Math.hypot(at[0]! - positions[from * 3]!, at[2]! - positions[from * 3 + 2]!);
  const line = new Float64Array(3);
  const offset = new Float64Array(3);
  subVec(line, 0, positions, to * 3, positions, from * 3);
  subVec(offset, 0, at, 0, positions, from * 3);
  const length = line[0]! ** 2 + line[1]! ** 2 + line[2]! ** 2;
  const along = line[0]! * offset[0]! + line[1]! * offset[1]! + line[2]! * offset[2]!;
  const t = length > 0 ? Math.max(0, Math.min(1, along / length)) : 0;
  for (let k = 0; k < 3; k++) line[k]! *= t;
  addVec(line, 0, line, 0, positions, from * 3);
  return distanceVec(at, 0, line, 0);
}

function quantileOf(values: number[], share: number): number | null {
  if (values.length < ENOUGH_VERTICES) return null;
  values.sort((a, b) => a - b);
  return values[Math.floor(share * (values.length - 1))]!;
}
