/**
 * Points spread evenly over a piece of skin, which blend as the skin around them does, and how deep something lies below them.
 * Linear blending is linear in positions: what a point inside a triangle gets from a joint is summed up once, and in a pose it
 * costs as much as a vertex. Some hundred points tell what thousands of triangles would.
 */
import { rotateVec, rotateVecInverse } from '../math/quat.ts';
import { addVec, crossVec, lengthVec, normalizeVec, subVec } from '../math/vec.ts';
import type { WorldPose } from './skeleton.ts';
import { type SkinMesh, skinVertices } from './skin.ts';

/** Points on a skin, and where they are in the pose they were carried to last. */
export interface SkinPoints {
  readonly count: number;
  /** How far one is from the next, about; metres. */
  readonly spacing: number;
  /** Where the influences of each point begin; count + 1. */
  readonly starts: Uint32Array;
  /** Of each influence the joint, and in the joint's frame: the weighted place (3), the weighted normal (3), the weight. */
  readonly joints: Int16Array;
  readonly carried: Float64Array;
  /** All joints that move the points. */
  readonly movers: Int16Array;
  /** World places, count × 3. */
  readonly places: Float64Array;
}

const STRIDE = 7;

const edge = new Float64Array(6);
const normal = new Float64Array(3);
const turned = new Float64Array(3);

/**
 * Spreads points over triangles of some meshes, by area. Which way is out is told by the volume that a mesh encloses: a mirrored
 * one may be wound the other way round.
 * @param rest     pose in which areas and normals are taken
 * @param belongs  whether a triangle is of the piece: mesh, its three corners, and world positions of the mesh in `rest`
 * @returns null where no triangle belongs
 */
export function spreadPoints(
  skins: readonly SkinMesh[],
  rest: WorldPose,
  belongs: (skin: SkinMesh, corners: ArrayLike<number>, world: Float64Array) => boolean,
  count: number,
): SkinPoints | null {
  const pieces = skins.map((skin) => pieceOf(skin, rest, belongs));
  const area = pieces.reduce((sum, piece) => sum + piece.area, 0);
  if (!(area > 0)) return null;
  const starts = new Uint32Array(count + 1);
  const joints: number[] = [];
  const carried: number[] = [];
  let passed = 0;
  let p = 0;
  for (const piece of pieces) {
    for (let t = 0; t < piece.areas.length; t++) {
      passed += piece.areas[t]!;
      for (; p < count && ((p + 0.5) * area) / count <= passed; p++) {
        addPoint(joints, carried, piece, t, rest, halton(p + 1, 2), halton(p + 1, 3));
        starts[p + 1] = joints.length;
      }
    }
  }
  // The last may be missed by rounding.
  starts.fill(joints.length, p + 1);
  return {
    count: p,
    spacing: Math.sqrt(area / count),
    starts,
    joints: Int16Array.from(joints),
    carried: Float64Array.from(carried),
    movers: Int16Array.from(new Set(joints)),
    places: new Float64Array(count * 3),
  };
}

/** The triangles of one mesh that belong to a piece. */
interface Piece {
  skin: SkinMesh;
  world: Float64Array;
  /** Three vertices each. */
  triangles: number[];
  areas: number[];
  area: number;
  /** -1 where the triangles wind the other way round. */
  sign: number;
}

function pieceOf(
  skin: SkinMesh,
  rest: WorldPose,
  belongs: (skin: SkinMesh, corners: ArrayLike<number>, world: Float64Array) => boolean,
): Piece {
  const world = new Float64Array(skin.vertexCount * 3);
  skinVertices(skin, rest, world, new Float64Array(skin.bind.length));
  const piece: Piece = { skin, world, triangles: [], areas: [], area: 0, sign: 1 };
  const middle = [0, 0, 0];
  for (let i = 0; i < world.length; i++) middle[i % 3]! += world[i]! / skin.vertexCount;
  let volume = 0;
  for (let i = 0; i < skin.triangles.length; i += 3) {
    const corners = skin.triangles.subarray(i, i + 3);
    triangleNormal(normal, world, corners);
    const area = lengthVec(normal, 0) / 2;
    // Cones from the middle: what is open, as a sleeve is, has its outside away from there too.
    for (let k = 0; k < 3; k++) volume += normal[k]! * (world[corners[0]! * 3 + k]! - middle[k]!);
    if (!(area > 0) || !belongs(skin, corners, world)) continue;
    piece.triangles.push(...corners);
    piece.areas.push(area);
    piece.area += area;
  }
  piece.sign = volume < 0 ? -1 : 1;
  return piece;
}

/** out = normal of a triangle, twice its area long. */
function triangleNormal(out: Float64Array, world: Float64Array, [a, b, c]: ArrayLike<number> & Iterable<number>): void {
  subVec(edge, 0, world, b! * 3, world, a! * 3);
  subVec(edge, 3, world, c! * 3, world, a! * 3);
  crossVec(out, 0, edge, 0, edge, 3);
}

/** Low-discrepancy numbers between 0 and 1 (Halton 1960): points in one large triangle keep off each other. */
function halton(index: number, base: number): number {
  let [result, share] = [0, 1];
  for (let i = index; i > 0; i = Math.floor(i / base)) {
    share /= base;
    result += share * (i % base);
  }
  return result;
}

/** Adds a point of a triangle; `u` and `v` spread evenly give places spread evenly over it. */
function addPoint(
  joints: number[],
  carried: number[],
  { skin, world, triangles, sign }: Piece,
  t: number,
  rest: WorldPose,
  u: number,
  v: number,
): void {
  const corners = triangles.slice(t * 3, t * 3 + 3);
  const root = Math.sqrt(u);
  const shares = [1 - root, root * (1 - v), root * v];
  triangleNormal(normal, world, corners);
  const length = sign * lengthVec(normal, 0);
  for (let k = 0; k < 3; k++) normal[k]! /= length;
  const sums = new Map<number, Float64Array>();
  corners.forEach((vertex, corner) => {
    const { influences, weights, positions, bind } = skin;
    let all = 0;
    for (let i = vertex * influences; i < (vertex + 1) * influences; i++) all += weights[i]!;
    for (let i = vertex * influences; i < (vertex + 1) * influences; i++) {
      if (!(weights[i]! > 0)) continue;
      const joint = skin.joints[i]!;
      const w = (shares[corner]! * weights[i]!) / all;
      const sum = sums.get(joint) ?? new Float64Array(STRIDE);
      sums.set(joint, sum);
      for (let r = 0; r < 3; r++) {
        const row = joint * 12 + r * 4;
        let x = bind[row + 3]!;
        for (let c = 0; c < 3; c++) x += bind[row + c]! * positions[vertex * 3 + c]!;
        sum[r]! += w * x;
      }
      sum[6]! += w;
    }
  });
  for (const [joint, sum] of sums) {
    rotateVecInverse(turned, 0, rest.rotations, joint * 4, normal, 0);
    for (let k = 0; k < 3; k++) sum[3 + k] = sum[6]! * turned[k]!;
    joints.push(joint);
    carried.push(...sum);
  }
}

/** Puts the points where a pose has them. Allocates nothing. */
export function carryPoints({ places, count, starts, joints, carried }: SkinPoints, pose: WorldPose): void {
  carry(places, count, starts, joints, carried, pose.rotations, pose.positions);
}

function carry(
  places: Float64Array,
  count: number,
  starts: Uint32Array,
  joints: Int16Array,
  carried: Float64Array,
  rotations: Float64Array,
  positions: Float64Array,
): void {
  for (let p = 0, o = 0; p < count; p++, o += 3) {
    let x = 0;
    let y = 0;
    let z = 0;
    for (let i = starts[p]!; i < starts[p + 1]!; i++) {
      const j = joints[i]!;
      const c = i * STRIDE;
      const qx = rotations[j * 4]!;
      const qy = rotations[j * 4 + 1]!;
      const qz = rotations[j * 4 + 2]!;
      const qw = rotations[j * 4 + 3]!;
      const w = carried[c + 6]!;
      const vx = carried[c]!;
      const vy = carried[c + 1]!;
      const vz = carried[c + 2]!;
      const tx = 2 * (qy * vz - qz * vy);
      const ty = 2 * (qz * vx - qx * vz);
      const tz = 2 * (qx * vy - qy * vx);
      x += vx + qw * tx + qy * tz - qz * ty + w * positions[j * 3]!;
      y += vy + qw * ty + qz * tx - qx * tz + w * positions[j * 3 + 1]!;
      z += vz + qw * tz + qx * ty - qy * tx + w * positions[j * 3 + 2]!;
    }
    places[o] = x;
    places[o + 1] = y;
    places[o + 2] = z;
  }
}

/** out = unit normal of a point in a pose. */
export function pointNormal(
  out: Float64Array,
  { starts, joints, carried }: SkinPoints,
  p: number,
  { rotations }: WorldPose,
): void {
  out.fill(0);
  for (let i = starts[p]!; i < starts[p + 1]!; i++) {
    rotateVec(turned, 0, rotations, joints[i]! * 4, carried, i * STRIDE + 3);
    addVec(out, 0, out, 0, turned, 0);
  }
  normalizeVec(out, 0);
}

/** A place lies below a point that it is beside by no more than this many spacings; else it is beyond a rim. */
const BESIDE = 1.2;

/** What `depthBelow` finds. */
export interface Depth {
  /** Metres; below zero, by how far the nearest point is, outside. */
  depth: number;
  /** Which of the pieces is nearest. */
  piece: number;
}

/**
 * How deep a place lies below the skin: as far as it is under the plane of the nearest point. Pieces that together close a body
 * have to be asked together, as each is open where the next one begins. Beyond the rim of what is left open a place is not below;
 * where another surface lies inside the skin (a mouth, a body under clothes) it may be told for less deep than it is.
 * @param pose  which the pieces were carried to
 */
export function depthBelow(
  found: Depth,
  pieces: readonly SkinPoints[],
  pose: WorldPose,
  at: Float64Array,
  i: number,
): void {
  let nearest = 0;
  let least = Number.POSITIVE_INFINITY;
  for (let q = 0; q < pieces.length; q++) {
    const { places, count } = pieces[q]!;
    const p = nearestTo(places, count, at[i]!, at[i + 1]!, at[i + 2]!);
    const square = squareBetween(places, p * 3, at, i);
    if (square >= least) continue;
    least = square;
    nearest = p;
    found.piece = q;
  }
  const piece = pieces[found.piece]!;
  const { places, spacing } = piece;
  pointNormal(normal, piece, nearest, pose);
  let depth = 0;
  for (let k = 0; k < 3; k++) depth += (places[nearest * 3 + k]! - at[i + k]!) * normal[k]!;
  const beside = least - depth * depth;
  found.depth = depth > 0 && beside < (BESIDE * spacing) ** 2 ? depth : -Math.sqrt(least);
}

function squareBetween(a: Float64Array, i: number, b: Float64Array, j: number): number {
  return (a[i]! - b[j]!) ** 2 + (a[i + 1]! - b[j + 1]!) ** 2 + (a[i + 2]! - b[j + 2]!) ** 2;
}

function nearestTo(places: Float64Array, count: number, x: number, y: number, z: number): number {
  let nearest = 0;
  let least = Number.POSITIVE_INFINITY;
  for (let p = 0, o = 0; p < count; p++, o += 3) {
    const dx = places[o]! - x;
    const dy = places[o + 1]! - y;
    const dz = places[o + 2]! - z;
    const square = dx * dx + dy * dy + dz * dz;
    if (square < least) {
      least = square;
      nearest = p;
    }
  }
  return nearest;
}
