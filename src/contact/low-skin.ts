/** How thick a figure is where it kneels and sits: measured on its mesh, or laid out where it has none. */
import { rotateVecInverse } from '../math/quat.ts';
import { type Role, sidedRole } from '../pairing/roles.ts';
import type { Actor } from '../retarget/actor.ts';
import type { LimbPlan } from '../retarget/plan.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { restWorldPose, type WorldPose } from '../skeleton/skeleton.ts';
import { heaviestJoint, type SkinMesh, skinVertices } from '../skeleton/skin.ts';

/** The skin of a knee is what lies this near to its joint: share of thigh and shin. */
const KNEE_RADIUS = 0.16;
/** Directions in which the knee's outermost vertices are kept, a half circle of them by as many turns. */
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

/** Points of the skin around a knee, from its joint, in the frame of the shin: count × 3. */
export type KneeSkin = Float64Array;

/** The outermost points of the skin around the knee of one leg. Allocates its result. */
export function kneeSkin({ skeleton, body }: Actor, limb: LimbPlan, skins: readonly SkinMesh[]): KneeSkin {
  const pose = restWorldPose(skeleton);
  const { dstUpper: hip, dstLower: knee } = limb;
  const owned = partsOf(skeleton.parents, new Set([hip, knee]), new Set(Object.values(body.roles)));
  const found: number[] = [];
  const offset = new Float64Array(3);
  for (const skin of skins) {
    const vertices = skinned(skin, pose);
    for (let v = 0; v < skin.vertexCount; v++) {
      const joint = heaviestJoint(skin, v);
      if (joint < 0 || owned[joint]! < 0) continue;
      for (let k = 0; k < 3; k++) offset[k] = vertices[v * 3 + k]! - pose.positions[knee * 3 + k]!;
      if (Math.hypot(offset[0]!, offset[1]!, offset[2]!) > KNEE_RADIUS * limb.length) continue;
      // What lies above the knee goes along with the thigh when the leg folds, away from the floor.
      let above = 0;
      for (let k = 0; k < 3; k++) above += offset[k]! * (pose.positions[hip * 3 + k]! - pose.positions[knee * 3 + k]!);
      if (above > 0) continue;
      rotateVecInverse(offset, 0, pose.rotations, knee * 4, offset, 0);
      found.push(offset[0]!, offset[1]!, offset[2]!);
    }
  }
  const radius = BARE_KNEE * limb.length;
  return found.length >= 3 * ENOUGH ? outermost(found) : ball(radius);
}

/** How far the knee's joint is over the floor when its skin touches it; `shin` at `i` is the shin's world rotation. */
export function kneeThickness(skin: KneeSkin, shin: Float64Array, i: number): number {
  const x = shin[i]!;
  const y = shin[i + 1]!;
  const z = shin[i + 2]!;
  const w = shin[i + 3]!;
  // Second row of the rotation matrix: the height of a turned vector.
  const rx = 2 * (x * y + w * z);
  const ry = 1 - 2 * (x * x + z * z);
  const rz = 2 * (y * z - w * x);
  let lowest = 0;
  for (let at = 0; at < skin.length; at += 3) {
    lowest = Math.min(lowest, rx * skin[at]! + ry * skin[at + 1]! + rz * skin[at + 2]!);
  }
  return -lowest;
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
      if (leg && shareAlong(positions, leg.upper, leg.lower, vertices, v) > SEAT_SHARE) continue;
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

function shareAlong(p: Float64Array, from: number, to: number, vertices: Float64Array, v: number): number {
  let along = 0;
  let length = 0;
  for (let k = 0; k < 3; k++) {
    const line = p[to * 3 + k]! - p[from * 3 + k]!;
    along += line * (vertices[v * 3 + k]! - p[from * 3 + k]!);
    length += line * line;
  }
  return length > 0 ? along / length : 0;
}

/** Directions over the whole sphere, as unit vectors. */
function directions(): [number, number, number][] {
  const out: [number, number, number][] = [];
  for (let i = 0; i <= TURNS; i++) {
    const polar = (Math.PI * i) / TURNS;
    for (let j = 0; j < 2 * TURNS; j++) {
      const turn = (Math.PI * j) / TURNS;
      out.push([Math.sin(polar) * Math.cos(turn), Math.cos(polar), Math.sin(polar) * Math.sin(turn)]);
    }
  }
  return out;
}

/** Of some points, those that lie outermost in some direction. */
function outermost(points: readonly number[]): Float64Array {
  const kept = new Set<number>();
  for (const [x, y, z] of directions()) {
    let most = Number.NEGATIVE_INFINITY;
    let best = 0;
    for (let at = 0; at < points.length; at += 3) {
      const out = x * points[at]! + y * points[at + 1]! + z * points[at + 2]!;
      if (out > most) [most, best] = [out, at];
    }
    kept.add(best);
  }
  return Float64Array.from([...kept].flatMap((at) => points.slice(at, at + 3)));
}

function ball(radius: number): Float64Array {
  return Float64Array.from(directions().flatMap((d) => d.map((x) => x * radius)));
}
