import { transformPoint } from '../math/affine.ts';
import { distanceToSegment } from '../math/vec.ts';
import type { Body, HelperJoint } from '../pairing/body.ts';
import { mirrorRole, ROLES, type Role, type RoleMap, sideOf } from '../pairing/roles.ts';
import { LIMB_PARTS, LIMBS } from '../skeleton/limb.ts';
import type { Side } from '../skeleton/side.ts';
import { childrenOf, restWorldPose, type Skeleton, type WorldPose } from '../skeleton/skeleton.ts';
import { jointMatrices, type SkinMesh, skinVertices } from '../skeleton/skin.ts';

/** What only the character's file can tell; plain data, see `convert/audit.ts`. */
export interface RigFacts {
  /** The side that each joint's name speaks of and how it is spelled; null where it has none. */
  sideMarks: readonly ({ side: Side; style: string; stem: string } | null)[];
  /** Each joint's name without side, separators and case. */
  stems: readonly string[];
  /** Local scales of the joints' nodes and of the nodes above them, x y z each. `joint` is -1 for a node that is none. */
  scales: readonly { node: string; joint: number; scale: readonly [number, number, number] }[];
  /** World space, the skeleton at node rest, where the audit looks at another pose; null where it looks at this one. */
  nodeRest: Skeleton | null;
  /** The way that the file's standard has characters look. */
  front: readonly [number, number, number];
}

export interface AuditInput {
  name: string;
  /** World space (metres, Y up, facing +Z), in the reference pose. */
  skeleton: Skeleton;
  /** In file space. A body that is no humanoid has no roles: it is audited without what needs them. */
  body: Body;
  /** World space. */
  skins: readonly SkinMesh[];
  facts: RigFacts;
  /** World rotations of the joints in the canonical posture (`Alignment.posture`); the exercise clip is built on it. */
  posture?: Float64Array;
}

/** What the checks share. Lengths in metres, world space. */
export interface RigView extends AuditInput {
  pose: WorldPose;
  /** Vertices in the reference pose, a mesh; those without weight are where the mesh's most used joint takes them. */
  vertices: Float64Array[];
  /** The body's roles, and those that its pairing left open though the partner's mirror image or namesake is there. */
  roles: RoleMap;
  /** Role of each joint, or null. */
  roleOf: (Role | null)[];
  helperOf: (HelperJoint | null)[];
  /** Sum of the positive weights over all meshes, a joint. */
  weightOf: Float64Array;
  /** Vertices that follow the joint, a joint. */
  vertexCountOf: Int32Array;
  /** Leg length; without legs half the height. Tolerances are shares of it. */
  legLength: number;
  /** Partner on the other side; a joint of the middle is its own; -1 where none is known. */
  mirror: Int16Array;
  /** The plane of symmetry is x = middle. */
  middle: number;
  /** From each joint along its bones, flat: six numbers a segment; a joint without a bone has one of no length. */
  segments: Float64Array[];
}

export function viewRig(input: AuditInput): RigView {
  const { skeleton, body, skins } = input;
  const pose = restWorldPose(skeleton);
  const roleOf: (Role | null)[] = new Array(skeleton.jointCount).fill(null);
  const roles = completeRoles(input, pose);
  for (const role of ROLES) {
    const joint = roles[role];
    if (joint !== undefined) roleOf[joint] = role;
  }
  const helperOf: (HelperJoint | null)[] = new Array(skeleton.jointCount).fill(null);
  for (const helper of body.helpers) if (roleOf[helper.joint] === null) helperOf[helper.joint] = helper;
  const weightOf = new Float64Array(skeleton.jointCount);
  const vertexCountOf = new Int32Array(skeleton.jointCount);
  for (const { joints, weights } of skins)
    for (let i = 0; i < weights.length; i++) {
      if (weights[i]! <= 0) continue;
      weightOf[joints[i]!]! += weights[i]!;
      vertexCountOf[joints[i]!]!++;
    }
  const vertices = skins.map((skin) => restVertices(skin, pose));
  const mirror = mirrorJoints(input, roles, roleOf, helperOf);
  const view: RigView = {
    ...input,
    pose,
    vertices,
    roles,
    roleOf,
    helperOf,
    weightOf,
    vertexCountOf,
    legLength: 0,
    mirror,
    middle: planeOfSymmetry(pose, mirror),
    segments: [],
  };
  view.legLength = legLengthOf(view);
  view.segments = Array.from({ length: skeleton.jointCount }, (_, j) => segmentsOf(view, j));
  return view;
}

/** The partner of a joint stands within this share of the skeleton's height of its mirror image. */
const PARTNER_APART = 0.03;

/**
 * A limb that was torn apart may leave a role open on one side. The joint is the one with the partner's name, or the
 * one that stands at its mirror image, if it plays no other role.
 */
function completeRoles({ skeleton, body, facts }: AuditInput, pose: WorldPose): RoleMap {
  const roles = { ...body.roles };
  const taken = new Set(Object.values(roles));
  const { positions } = pose;
  let middle = 0;
  for (const role of ['leftUpperLeg', 'rightUpperLeg'] as const) middle += (positions[(roles[role] ?? 0) * 3] ?? 0) / 2;
  const height = body.frame.height * body.frame.metresPerUnit;
  for (const role of ROLES) {
    const joint = roles[role];
    const other = mirrorRole(role);
    if (joint === undefined || roles[other] !== undefined) continue;
    const mark = facts.sideMarks[joint];
    let partner = facts.sideMarks.findIndex(
      (m, j) => m && mark && !taken.has(j) && m.stem === mark.stem && m.side !== mark.side,
    );
    const isNamed = partner >= 0;
    let nearest = PARTNER_APART * height;
    for (let j = 0; j < skeleton.jointCount; j++) {
      if (isNamed || taken.has(j)) continue;
      const apart = Math.hypot(
        2 * middle - positions[joint * 3]! - positions[j * 3]!,
        positions[joint * 3 + 1]! - positions[j * 3 + 1]!,
        positions[joint * 3 + 2]! - positions[j * 3 + 2]!,
      );
      if (apart >= nearest) continue;
      nearest = apart;
      partner = j;
    }
    if (partner < 0) continue;
    roles[other] = partner;
    taken.add(partner);
  }
  return roles;
}

export function isDeforming(view: RigView, joint: number): boolean {
  return view.weightOf[joint]! > 0;
}

/** Leg length, else half the extent of joints and mesh. */
function legLengthOf({ skeleton, roles, pose, vertices }: RigView): number {
  const lengths: number[] = [];
  for (const limb of LIMBS) {
    const { side, kind, upper, lower, end } = LIMB_PARTS[limb];
    const joints = [upper, lower, end].map((part) => roles[`${side}${part}`]);
    if (kind !== 'leg' || joints.includes(undefined)) continue;
    const [a, b, c] = joints as [number, number, number];
    lengths.push(distance(pose.positions, a, b) + distance(pose.positions, b, c));
  }
  const mean = lengths.reduce((sum, length) => sum + length, 0) / lengths.length;
  if (mean > 0) return mean;
  let low = Number.POSITIVE_INFINITY;
  let high = Number.NEGATIVE_INFINITY;
  for (const points of [pose.positions.subarray(0, skeleton.jointCount * 3), ...vertices])
    for (let i = 1; i < points.length; i += 3) {
      low = Math.min(low, points[i]!);
      high = Math.max(high, points[i]!);
    }
  return high > low ? (high - low) / 2 : 1;
}

export function distance(points: Float64Array, a: number, b: number): number {
  return Math.hypot(
    points[a * 3]! - points[b * 3]!,
    points[a * 3 + 1]! - points[b * 3 + 1]!,
    points[a * 3 + 2]! - points[b * 3 + 2]!,
  );
}

/** Vertices in a pose, those without weight placed by the joint that moves most of the mesh. */
function restVertices(skin: SkinMesh, pose: WorldPose): Float64Array {
  const out = new Float64Array(skin.vertexCount * 3);
  const matrices = new Float64Array(skin.bind.length);
  skinVertices(skin, pose, out, matrices);
  const sums = new Float64Array(skin.bind.length / 12);
  for (let i = 0; i < skin.weights.length; i++) sums[skin.joints[i]!]! += Math.max(0, skin.weights[i]!);
  const most = sums.indexOf(Math.max(...sums));
  for (let v = 0; v < skin.vertexCount; v++) {
    let total = 0;
    for (let i = v * skin.influences; i < (v + 1) * skin.influences; i++) total += skin.weights[i]!;
    if (total <= 0 && most >= 0)
      transformPoint(out, v * 3, matrices, most * 12, Float64Array.from(skin.positions.subarray(v * 3, v * 3 + 3)), 0);
  }
  return out;
}

/** Partners by role, then twist joints of partner roles, then names that are equal but for the side. */
function mirrorJoints(
  { body, facts }: AuditInput,
  roles: RoleMap,
  roleOf: (Role | null)[],
  helperOf: (HelperJoint | null)[],
): Int16Array {
  const mirror = new Int16Array(roleOf.length).fill(-1);
  const partnerByName = new Map<string, number>();
  facts.sideMarks.forEach((mark, j) => {
    if (mark) partnerByName.set(`${mark.side} ${mark.stem}`, j);
  });
  for (let j = 0; j < roleOf.length; j++) {
    const role = roleOf[j];
    const helper = helperOf[j];
    if (role) mirror[j] = roles[mirrorRole(role)] ?? -1;
    else if (helper?.kind === 'twist' && helper.of && sideOf(helper.of)) {
      const partner = body.helpers.find(
        ({ kind, of, share }) =>
          kind === 'twist' && of === mirrorRole(helper.of!) && Math.abs((share ?? 0) - (helper.share ?? 0)) < 0.1,
      );
      mirror[j] = partner?.joint ?? -1;
    } else {
      const mark = facts.sideMarks[j];
      const partner = mark ? partnerByName.get(`${mark.side === 'left' ? 'right' : 'left'} ${mark.stem}`) : j;
      mirror[j] = partner !== undefined && !roleOf[partner] ? partner : -1;
    }
  }
  return mirror;
}

/** Median of the middles between partners. */
function planeOfSymmetry(pose: WorldPose, mirror: Int16Array): number {
  const middles: number[] = [];
  mirror.forEach((partner, j) => {
    if (partner > j) middles.push((pose.positions[j * 3]! + pose.positions[partner * 3]!) / 2);
  });
  middles.sort((a, b) => a - b);
  return middles[middles.length >> 1] ?? 0;
}

/** Bones of a joint: to its children that carry skin or a role, else to its tips, else as far as its own skin reaches. */
function segmentsOf(view: RigView, joint: number): Float64Array {
  const { skeleton, pose } = view;
  const start = pose.positions.subarray(joint * 3, joint * 3 + 3);
  const ends: number[][] = [];
  const children = childrenOf(skeleton, joint);
  const telling = children.filter((j) => view.roleOf[j] !== null || view.helperOf[j]?.kind === 'twist');
  for (const j of telling.length > 0 ? telling : children.filter((j) => isDeforming(view, j)))
    ends.push([...pose.positions.subarray(j * 3, j * 3 + 3)]);
  if (ends.length === 0) {
    const middle = middleOfSkin(view, joint);
    if (middle) ends.push(middle.map((x, k) => 2 * x - start[k]!));
  }
  if (ends.length === 0) ends.push([...start]);
  return Float64Array.from(ends.flatMap((end) => [...start, ...end]));
}

/** Mean of the vertices that follow the joint, by weight; null without any. */
function middleOfSkin({ skins, vertices }: RigView, joint: number): number[] | null {
  const sum = [0, 0, 0];
  let total = 0;
  skins.forEach((skin, m) => {
    for (let i = 0; i < skin.weights.length; i++) {
      if (skin.joints[i] !== joint || skin.weights[i]! <= 0) continue;
      const v = Math.floor(i / skin.influences);
      for (let k = 0; k < 3; k++) sum[k]! += skin.weights[i]! * vertices[m]![v * 3 + k]!;
      total += skin.weights[i]!;
    }
  });
  return total > 0 ? sum.map((x) => x / total) : null;
}

/** Distance of a point from the bones of a joint. */
export function distanceToBones(segments: Float64Array, points: Float64Array, v: number): number {
  let least = Number.POSITIVE_INFINITY;
  for (let s = 0; s < segments.length; s += 6)
    least = Math.min(least, distanceToSegment(points, v * 3, segments, s, segments, s + 3));
  return least;
}

/** Matrices that take the mesh's own space to world, a joint, in a pose: equal for all joints of a sound skin. */
export function meshToWorld(skin: SkinMesh, pose: WorldPose): Float64Array {
  const out = new Float64Array(skin.bind.length);
  jointMatrices(skin, pose, out);
  return out;
}

/** Vertex indices, ascending, as runs of first and last. */
export function runsOf(indices: readonly number[]): [number, number][] {
  const runs: [number, number][] = [];
  for (const v of indices) {
    const last = runs[runs.length - 1];
    if (last && last[1] === v - 1) last[1] = v;
    else runs.push([v, v]);
  }
  return runs;
}
