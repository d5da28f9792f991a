/** Parts of the body other than feet that meet the floor, and how low each comes: on its skin, or on joints and tips. */
import { distanceVec } from '../math/vec.ts';
import type { Role } from '../pairing/roles.ts';
import { boundBelow, createLowProbe, type LowProbe, lowestVertex } from '../skeleton/lowest-vertex.ts';
import { oncePerKey } from '../skeleton/once-per.ts';
import { createPartialPose, readPartialPose } from '../skeleton/partial-pose.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';
import { keepVertices, type SkinMesh, skinVertices } from '../skeleton/skin.ts';
import { type Build, type LimbPoints, pointInPose, restVertices } from './build.ts';
import { arrayFor } from './joint-paths.ts';
import type { BodyPoint } from './measure.ts';
import { jointPath, pathOf, type Track } from './track.ts';

export const LOW_PARTS = ['leftKnee', 'rightKnee', 'seat', 'leftHand', 'rightHand'] as const;
export type LowPartName = (typeof LOW_PARTS)[number];

interface PartSkin {
  probe: LowProbe;
  vertexOf: Uint32Array;
}

/** A part of the body as it was bound. */
export interface LowPart {
  /** What a fault is reported on. */
  role: Role;
  joint: number;
  /** Of each mesh the vertices of the part, and the vertex of the mesh that each of them is. */
  skins: PartSkin[];
  /** The farthest that a vertex is bound from the joint, metres; 0 without skin. */
  reach: number;
  /** Joints and tips of the part, which stand for it where it has no skin. */
  points: BodyPoint[];
}

/** Knees reach so far along thigh and shin, the seat along the thighs: share of their lengths. */
const HALF = 0.5;
/** Fewer vertices tell no shape. */
const FEWEST = 6;

/** Null where the figure has no such part. */
export const lowPartOf = oncePerKey((build: Build, name: LowPartName): LowPart | null => {
  if (name === 'seat') return seatOf(build);
  const side: Side = name.startsWith('left') ? 'left' : 'right';
  return name.endsWith('Knee') ? kneeOf(build, side) : handOf(build, side);
});

function kneeOf(build: Build, side: Side): LowPart | null {
  const leg = build.limbs[`${side}Leg`];
  if (!leg) return null;
  const own = carriedBy(build.figure.skeleton, [leg.root.joint, leg.middle.joint], rolesOf(build));
  const thigh = along(build, leg.middle, leg.root);
  const shin = along(build, leg.middle, leg.end);
  return partOf(build, leg.roles.middle, leg.middle.joint, own, (p, at) => thigh(p, at) < HALF && shin(p, at) < HALF, [
    leg.middle,
  ]);
}

function seatOf(build: Build): LowPart | null {
  const { roles, skeleton } = build.figure;
  const legs = SIDES.map((side) => build.limbs[`${side}Leg`]).filter((leg) => leg !== null);
  if (roles.hips === undefined || legs.length === 0) return null;
  const own = carriedBy(
    skeleton,
    legs.map(({ root }) => root.joint),
    rolesOf(build),
  );
  // Of the pelvis the joint alone: a tail or a skirt hangs from joints of its own.
  own[roles.hips] = 1;
  const thighs = legs.map(({ root, middle }) => along(build, root, middle));
  const above = (p: Float64Array, at: number): boolean => thighs.every((thigh) => thigh(p, at) < HALF);
  return partOf(
    build,
    'hips',
    roles.hips,
    own,
    above,
    legs.map(({ root }) => root),
  );
}

function handOf(build: Build, side: Side): LowPart | null {
  const { roles, skeleton } = build.figure;
  const arm = build.limbs[`${side}Arm`];
  if (!arm) return null;
  const hand = roles[arm.roles.end];
  if (hand === undefined) {
    const own = carriedBy(skeleton, [arm.middle.joint], rolesOf(build));
    const forearm = along(build, arm.middle, arm.end);
    return partOf(build, arm.roles.middle, arm.middle.joint, own, (p, at) => forearm(p, at) > HALF, [arm.end]);
  }
  // Fingers and palm joints may have no role. What a hand holds is a mesh of its own.
  const own = new Uint8Array(skeleton.jointCount).fill(1, hand, skeleton.subtreeEnd[hand]!);
  const points: BodyPoint[] = [...own.keys()].filter((j) => own[j]).map((joint) => ({ joint, offset: [0, 0, 0] }));
  for (const { joint, offset } of skeleton.tips) if (own[joint]) points.push({ joint, offset: [...offset] });
  return partOf(build, arm.roles.end, hand, own, () => true, points);
}

function rolesOf({ figure }: Build): ReadonlySet<number> {
  return new Set(Object.values(figure.roles));
}

/** Flags some joints and what hangs from them without a role of its own: joints that take up the twist. */
function carriedBy(skeleton: Skeleton, roots: readonly number[], withRole: ReadonlySet<number>): Uint8Array {
  const own = new Uint8Array(skeleton.jointCount);
  for (let j = 0; j < skeleton.jointCount; j++) {
    const above = skeleton.parents[j]!;
    own[j] = roots.includes(j) || (!withRole.has(j) && above >= 0 && own[above]) ? 1 : 0;
  }
  return own;
}

/** How far a point lies along the way between two points of the rest pose: 0 at the first, 1 at the second. */
function along(
  build: Build,
  from: LimbPoints['root'],
  to: LimbPoints['root'],
): (p: Float64Array, at: number) => number {
  const ends = new Float64Array(6);
  pointInPose(build.rest, from, ends, 0);
  pointInPose(build.rest, to, ends, 3);
  let square = 0;
  for (let k = 0; k < 3; k++) square += (ends[k + 3]! - ends[k]!) ** 2;
  return (p, at) => {
    let dot = 0;
    for (let k = 0; k < 3; k++) dot += (p[at + k]! - ends[k]!) * (ends[k + 3]! - ends[k]!);
    return dot / square;
  };
}

function partOf(
  build: Build,
  role: Role,
  joint: number,
  own: Uint8Array,
  isInside: (p: Float64Array, at: number) => boolean,
  points: BodyPoint[],
): LowPart {
  const skins: PartSkin[] = [];
  const props: PartSkin[] = [];
  for (const skin of build.figure.skins ?? []) {
    const world = restVertices(build, skin);
    const found: number[] = [];
    for (let v = 0; v < skin.vertexCount; v++) if (moves(own, skin, v) && isInside(world, v * 3)) found.push(v);
    if (found.length < FEWEST) continue;
    const vertexOf = Uint32Array.from(found);
    (found.length < skin.vertexCount ? skins : props).push({
      probe: createLowProbe(keepVertices(skin, vertexOf)),
      vertexOf,
    });
  }
  // A mesh of its own beside the skin is held or worn there; where there is no other, it is the part.
  const all = skins.length > 0 ? skins : props;
  const reach = Math.max(0, ...all.map(({ probe }) => reachOf(build, probe.mesh, joint)));
  return { role, joint, skins: all, reach, points };
}

/** Whether some joints move a vertex more than all others together. */
function moves(own: Uint8Array, { influences, joints, weights }: SkinMesh, v: number): boolean {
  let its = 0;
  let all = 0;
  for (let i = v * influences; i < (v + 1) * influences; i++) {
    all += weights[i]!;
    if (own[joints[i]!]) its += weights[i]!;
  }
  return its > 0.5 * all;
}

/** Where a part is lowest in each frame. */
export interface Lowest {
  /** Height over the floor, metres; of a part that is far from it no more than a bound below its height. */
  heights: Float64Array;
  /** 1 where it is far. */
  far: Uint8Array;
  /** Which vertex is lowest: as its mesh counts it, and the mesh as the part does; null where the part has no skin. */
  vertices: Uint32Array | null;
  meshes: Uint16Array | null;
}

/** Skin that is bound this far from its joint may be farther when it bends: so many times the distance. */
const SLACK = 1.25;
/** A part that is higher than this, in leg lengths, is far from the floor. */
const FAR = 0.05;

/** How low a part comes, frame by frame; null where the figure has no such part. */
export const lowestOf = oncePerKey((track: Track, name: LowPartName): Lowest | null => {
  const part = lowPartOf(track.build, name);
  if (!part) return null;
  return part.skins.length > 0 ? lowestOnSkin(track, part) : lowestOnPoints(track, part);
});

function lowestOnPoints(track: Track, { points }: LowPart): Lowest {
  const heights = arrayFor(track.paths, track.frameCount).fill(Number.POSITIVE_INFINITY);
  for (const point of points) lowerTo(heights, pathOf(track, point));
  return { heights, far: new Uint8Array(track.frameCount), vertices: null, meshes: null };
}

/** Takes the height of a path where it is below the heights so far. */
function lowerTo(heights: Float64Array, path: Float64Array): void {
  for (let f = 0; f < heights.length; f++) heights[f] = Math.min(heights[f]!, path[f * 3 + 1]!);
}

function lowestOnSkin(track: Track, { skins, joint, reach }: LowPart): Lowest {
  const { frameCount } = track;
  const heights = arrayFor(track.paths, frameCount);
  const far = new Uint8Array(frameCount).fill(1);
  const isFar = FAR * track.legLength;
  const near = lowerBounds(heights, jointPath(track, joint), SLACK * reach, isFar);
  const vertices = new Uint32Array(frameCount);
  const meshes = new Uint16Array(frameCount);
  if (near === 0) return { heights, far, vertices, meshes };
  const { skeleton, clip } = track.figure;
  const asked = skins.flatMap(({ probe }) => [...probe.joints]);
  const partial = createPartialPose(skeleton, clip, asked);
  for (let f = 0; f < frameCount; f++) {
    if (heights[f]! > isFar) continue;
    const pose = readPartialPose(partial, f);
    let height = Number.POSITIVE_INFINITY;
    for (const { probe } of skins) height = Math.min(height, boundBelow(probe, pose));
    heights[f] = height;
    if (height > isFar) continue;
    far[f] = 0;
    height = Number.POSITIVE_INFINITY;
    for (let m = 0; m < skins.length; m++) {
      const { probe, vertexOf } = skins[m]!;
      const lowest = lowestVertex(probe, pose);
      if (lowest >= height) continue;
      height = lowest;
      vertices[f] = vertexOf[probe.lowest]!;
      meshes[f] = m;
    }
    heights[f] = height;
  }
  return { heights, far, vertices, meshes };
}

/** Heights of a path less a reach; returns how many are not above a limit. */
function lowerBounds(heights: Float64Array, path: Float64Array, reach: number, limit: number): number {
  let count = 0;
  for (let f = 0; f < heights.length; f++) {
    heights[f] = path[f * 3 + 1]! - reach;
    if (!(heights[f]! > limit)) count++;
  }
  return count;
}

/** The farthest that a vertex is bound from a joint, metres. */
function reachOf(build: Build, skin: SkinMesh, joint: number): number {
  const world = new Float64Array(skin.vertexCount * 3);
  skinVertices(skin, build.rest, world, new Float64Array(skin.bind.length));
  let farthest = 0;
  for (let at = 0; at < world.length; at += 3)
    farthest = Math.max(farthest, distanceVec(world, at, build.rest.positions, joint * 3));
  return farthest;
}
