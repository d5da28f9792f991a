/** How thick a figure is where it kneels and sits: measured on its mesh, or laid out where it has none. */
import { transformPoint } from '../math/affine.ts';
import { rotateAddVec, rotateVecInverse } from '../math/quat.ts';
import { lengthVec } from '../math/vec.ts';
import { type Role, sidedRole } from '../pairing/roles.ts';
import type { Actor } from '../retarget/actor.ts';
import type { LimbPlan } from '../retarget/plan.ts';
import { oncePerKey } from '../skeleton/once-per.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { restWorldPose, type WorldPose } from '../skeleton/skeleton.ts';
import { heaviestJoint, jointMatrices, type SkinMesh, skinVertices } from '../skeleton/skin.ts';

/** The skin of a knee reaches so far along thigh and shin: share of their lengths. */
const KNEE_SHARE = 0.5;
/** A knee without skin is a ball of points: a half circle of them by as many turns. */
const TURNS = 12;
/** Fewer vertices are no knee. */
const ENOUGH = 6;
/** Without a mesh: from the middle of a knee to its skin, share of thigh and shin (5.5 cm on 0.85 m; value from memory). */
const BARE_KNEE = 0.065;
/** Without a mesh: from the hip joint to the seat, share of standing height (8.7 cm on 1.75 m; value from memory). */
const BARE_SEAT = 0.05;
/** Vertices of a thigh count for the seat on so much of it from the hip joint on. */
const SEAT_SHARE = 0.5;
/** So many of the seat's vertices (share) lie in the floor, or a stray one would lift the figure. */
const SUNK = 0.002;

/**
 * Vertices of the skin around a knee, from its joint: what of each goes with the thigh, in the thigh's frame and times its
 * weight there, and what goes with the shin. A bent knee is blended of both; where it is put down it is neither's alone.
 * count × 6.
 */
export type KneeSkin = Float64Array;

const knownKnees = oncePerKey((_actor: Actor, _skins: readonly SkinMesh[]) => new Map<number, KneeSkin>());

/** The skin around the knee of one leg, measured when it is first asked for. */
export function kneeSkin(actor: Actor, limb: LimbPlan, skins: readonly SkinMesh[]): KneeSkin {
  const known = knownKnees(actor, skins);
  const skin = known.get(limb.limb) ?? measureKnee(actor, limb, skins);
  known.set(limb.limb, skin);
  return skin;
}

function measureKnee({ skeleton, body, alignment }: Actor, limb: LimbPlan, skins: readonly SkinMesh[]): KneeSkin {
  const pose = restWorldPose(skeleton);
  const { positions, rotations } = pose;
  const { dstUpper: hip, dstLower: knee } = limb;
  const owned = partsOf(skeleton.parents, new Set([hip, knee]), new Set(Object.values(body.roles)));
  const ankle = new Float64Array(3);
  rotateAddVec(ankle, 0, rotations, knee * 4, alignment.limbEnds, limb.limb * 3, positions, knee * 3);
  const found: number[] = [];
  const place = new Float64Array(3);
  const carried = [new Float64Array(3), new Float64Array(3)] as const;
  for (const skin of skins) {
    const { influences, joints, weights, vertexCount } = skin;
    const vertices = skinned(skin, pose);
    const matrices = new Float64Array(skin.bind.length);
    jointMatrices(skin, pose, matrices);
    const at = Float64Array.from(skin.positions);
    for (let v = 0; v < vertexCount; v++) {
      let sum = 0;
      let own = 0;
      for (let i = v * influences; i < (v + 1) * influences; i++) {
        sum += weights[i]!;
        if (owned[joints[i]!]! >= 0) own += weights[i]!;
      }
      if (2 * own <= sum) continue;
      if (shareAlong(positions, knee * 3, positions, hip * 3, vertices, v * 3) > KNEE_SHARE) continue;
      if (shareAlong(positions, knee * 3, ankle, 0, vertices, v * 3) > KNEE_SHARE) continue;
      for (const part of carried) part.fill(0);
      for (let i = v * influences; i < (v + 1) * influences; i++) {
        const joint = joints[i]!;
        if (weights[i] === 0) continue;
        transformPoint(place, 0, matrices, joint * 12, at, v * 3);
        const part = carried[joint >= knee && joint < skeleton.subtreeEnd[knee]! ? 1 : 0];
        for (let k = 0; k < 3; k++) part[k]! += (weights[i]! / sum) * (place[k]! - positions[knee * 3 + k]!);
      }
      rotateVecInverse(carried[0], 0, rotations, hip * 4, carried[0], 0);
      rotateVecInverse(carried[1], 0, rotations, knee * 4, carried[1], 0);
      found.push(...carried[0], ...carried[1]);
    }
  }
  return found.length >= 6 * ENOUGH ? Float64Array.from(found) : ball(BARE_KNEE * limb.length);
}

/**
 * How far the knee's joint is over the floor when its skin touches it.
 * @param thigh, shin  world rotations, at `i` and `j`
 */
export function kneeThickness(skin: KneeSkin, thigh: Float64Array, i: number, shin: Float64Array, j: number): number {
  // Second rows of the rotation matrices: the heights of turned vectors.
  const [tx, ty, tz] = heightRow(thigh, i);
  const [sx, sy, sz] = heightRow(shin, j);
  let lowest = 0;
  for (let at = 0; at < skin.length; at += 6) {
    const height =
      tx * skin[at]! +
      ty * skin[at + 1]! +
      tz * skin[at + 2]! +
      sx * skin[at + 3]! +
      sy * skin[at + 4]! +
      sz * skin[at + 5]!;
    if (height < lowest) lowest = height;
  }
  return -lowest;
}

/** The farthest that its skin can be from the joint of a knee, however it is bent. */
export function kneeReach(skin: KneeSkin): number {
  let farthest = 0;
  for (let at = 0; at < skin.length; at += 6)
    farthest = Math.max(farthest, lengthVec(skin, at) + lengthVec(skin, at + 3));
  return farthest;
}

function heightRow(rotations: Float64Array, i: number): [number, number, number] {
  const [x, y, z, w] = [rotations[i]!, rotations[i + 1]!, rotations[i + 2]!, rotations[i + 3]!];
  return [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)];
}

/** From the middle of the hip joints down to the lowest skin of pelvis and thighs, in a pose of the figure. */
export function seatThickness({ skeleton, body }: Actor, skins: readonly SkinMesh[], pose: WorldPose): number {
  const { positions } = pose;
  const { hips } = body.roles;
  const legs = SIDES.flatMap((side) => legOf(body.roles, side));
  const middle = legs.reduce((sum, { upper }) => sum + positions[upper * 3 + 1]! / legs.length, 0);
  const roots = new Set([...(hips === undefined ? [] : [hips]), ...legs.map(({ upper }) => upper)]);
  const owned = partsOf(skeleton.parents, roots, new Set(Object.values(body.roles)));
  const heights: number[] = [];
  for (const skin of skins) {
    const vertices = skinned(skin, pose);
    for (let v = 0; v < skin.vertexCount; v++) {
      const joint = heaviestJoint(skin, v);
      const part = joint < 0 ? -1 : owned[joint]!;
      if (part < 0) continue;
      const leg = legs.find(({ upper }) => upper === part);
      if (leg && shareAlong(positions, leg.upper * 3, positions, leg.lower * 3, vertices, v * 3) > SEAT_SHARE) continue;
      heights.push(vertices[v * 3 + 1]!);
    }
  }
  if (heights.length < ENOUGH) return BARE_SEAT * body.frame.height * body.frame.metresPerUnit;
  heights.sort((a, b) => a - b);
  return middle - heights[Math.floor(SUNK * heights.length)]!;
}

function legOf(roles: Partial<Record<Role, number>>, side: Side): { upper: number; lower: number }[] {
  const upper = roles[sidedRole(side, 'UpperLeg')];
  const lower = roles[sidedRole(side, 'LowerLeg')];
  return upper === undefined || lower === undefined ? [] : [{ upper, lower }];
}

function skinned(skin: SkinMesh, pose: WorldPose): Float64Array {
  const vertices = new Float64Array(skin.vertexCount * 3);
  skinVertices(skin, pose, vertices, new Float64Array(skin.bind.length));
  return vertices;
}

/** Which of some joints carries each joint, over joints without a role of their own; -1: none of them. */
function partsOf(parents: Int16Array, roots: ReadonlySet<number>, withRole: ReadonlySet<number>): Int32Array {
  const owned = new Int32Array(parents.length);
  for (let j = 0; j < parents.length; j++) {
    const above = parents[j]!;
    owned[j] = roots.has(j) ? j : withRole.has(j) || above < 0 ? -1 : owned[above]!;
  }
  return owned;
}

/** Where a point lies on the way between two others: 0 at the first, 1 at the second. */
function shareAlong(a: Float64Array, i: number, b: Float64Array, j: number, point: Float64Array, at: number): number {
  let along = 0;
  let length = 0;
  for (let k = 0; k < 3; k++) {
    const line = b[j + k]! - a[i + k]!;
    along += line * (point[at + k]! - a[i + k]!);
    length += line * line;
  }
  return length > 0 ? along / length : 0;
}

/** Points all around a joint, that go with the shin. */
function ball(radius: number): KneeSkin {
  const points: number[] = [];
  for (let i = 0; i <= TURNS; i++) {
    const polar = (Math.PI * i) / TURNS;
    for (let j = 0; j < 2 * TURNS; j++) {
      const turn = (Math.PI * j) / TURNS;
      const out = [Math.sin(polar) * Math.cos(turn), Math.cos(polar), Math.sin(polar) * Math.sin(turn)];
      points.push(0, 0, 0, ...out.map((x) => x * radius));
    }
  }
  return Float64Array.from(points);
}
