/** The skin of a figure in the pieces that a hand may sink into, and that of its hands. */
import { rotateVecInverse } from '../math/quat.ts';
import { distanceToSegment, distanceVec } from '../math/vec.ts';
import { type Role, sideOf } from '../pairing/roles.ts';
import { oncePer, oncePerKey } from '../skeleton/once-per.ts';
import type { Side } from '../skeleton/side.ts';
import type { SkinMesh } from '../skeleton/skin.ts';
import { carryPoints, type Depth, depthBelow, type SkinPoints, spreadPoints } from '../skeleton/skin-points.ts';
import { type Build, jointAbove, pointInPose } from './build.ts';
import type { BodyPoint } from './measure.ts';
import { partsOfJoints, partsOfVertices } from './parts-of-skin.ts';
import { quantile } from './statistics.ts';

export const BODY_PIECES = ['head', 'trunk', 'leftThigh', 'rightThigh'] as const;
export type BodyPieceName = (typeof BODY_PIECES)[number];
/** All that the skin is divided into: upper arms, shins and feet are neither measured nor looked for in the body. */
const PIECES = [...BODY_PIECES, 'leftHand', 'rightHand', 'leftForearm', 'rightForearm', 'other'] as const;
type PieceName = (typeof PIECES)[number];

/** Points a piece of the body, and a hand, are told by. */
const BODY_POINTS = 100;
const HAND_POINTS = 32;
/** Of a forearm this share beside the wrist goes with the hand: nearer to the elbow it lies against the trunk in any person. */
const FOREARM_SHARE = 0.5;

/** The share of its skin that lies within the radius of a piece. */
const MOST = 0.85;

/** A piece of the body around its middle line. */
export interface BodyPiece {
  name: BodyPieceName;
  joint: number;
  points: SkinPoints;
  line: readonly [BodyPoint, BodyPoint];
  /** From the line to most of its skin, metres. */
  radius: number;
}

export interface HandPiece {
  side: Side;
  role: Role;
  joint: number;
  points: SkinPoints;
  middle: BodyPoint;
  /** From the middle to the farthest of its skin, metres. */
  reach: number;
}

/** Those that the figure has, with skin on them. */
export const bodyPiecesOf = oncePer((build: Build): BodyPiece[] =>
  BODY_PIECES.map((name) => bodyPieceOf(build, name)).filter((piece) => piece !== null),
);

function bodyPieceOf(build: Build, name: BodyPieceName): BodyPiece | null {
  const bones = lineOf(build, name);
  const points = bones && spreadPoints(build.figure.skins ?? [], build.rest, isOf(build, [name]), BODY_POINTS);
  if (!points) return null;
  carryPoints(points, build.rest);
  const { joint } = bones[0];
  const middle: BodyPoint = { joint, offset: offsetIn(build, joint, middleOf(points)) };
  const line: BodyPiece['line'] = name === 'head' ? [middle, middle] : bones;
  const ends = new Float64Array(6);
  line.forEach((end, i) => {
    pointInPose(build.rest, end, ends, i * 3);
  });
  const distances = Float64Array.from({ length: points.count }, (_, p) =>
    distanceToSegment(points.places, p * 3, ends, 0, ends, 3),
  );
  return { name, joint, points, line, radius: quantile(distances, MOST) };
}

/** Null where the figure has no such arm, or no skin on it. */
export const handPieceOf = oncePerKey((build: Build, side: Side): HandPiece | null => {
  const arm = build.limbs[`${side}Arm`];
  if (!arm) return null;
  const { skins } = build.figure;
  const isOfArm = isOf(build, [`${side}Hand`, `${side}Forearm`]);
  const isOfHand = isOf(build, [`${side}Hand`]);
  const ends = new Float64Array(6);
  pointInPose(build.rest, arm.middle, ends, 0);
  pointInPose(build.rest, arm.end, ends, 3);
  const isNearHand = (skin: SkinMesh, corners: ArrayLike<number>, world: Float64Array): boolean =>
    isOfHand(skin, corners, world) ||
    (isOfArm(skin, corners, world) && shareAlong(world, corners[0]! * 3, ends) > 1 - FOREARM_SHARE);
  // A mesh that is all hand beside one that is not is something that the hand holds.
  const worn = (skins ?? []).filter((skin) => !isAll(skin, isOfArm));
  const points =
    spreadPoints(worn, build.rest, isNearHand, HAND_POINTS) ??
    spreadPoints(skins ?? [], build.rest, isNearHand, HAND_POINTS);
  if (!points) return null;
  const hand = build.figure.roles[`${side}Hand`];
  const joint = hand ?? arm.middle.joint;
  carryPoints(points, build.rest);
  const middle = middleOf(points);
  let reach = 0;
  for (let p = 0; p < points.count; p++) reach = Math.max(reach, distanceVec(points.places, p * 3, middle, 0));
  const role: Role = hand === undefined ? `${side}LowerArm` : `${side}Hand`;
  return { side, role, joint, points, middle: { joint, offset: offsetIn(build, joint, middle) }, reach };
});

/** How deep each point of a hand lies in the body in the rest pose, metres; 0 outside. */
export const restDepths = oncePerKey((build: Build, hand: HandPiece): Float64Array => {
  const pieces = bodyPiecesOf(build).map(({ points }) => points);
  for (const points of [hand.points, ...pieces]) carryPoints(points, build.rest);
  const found: Depth = { depth: 0, piece: 0 };
  return Float64Array.from({ length: hand.points.count }, (_, p) => {
    depthBelow(found, pieces, build.rest, hand.points.places, p * 3);
    return Math.max(0, found.depth);
  });
});

/** The middle line of a piece; of a head, its joint twice. */
export function lineOf({ figure: { roles } }: Build, name: BodyPieceName): [BodyPoint, BodyPoint] | null {
  const side = sideOfPiece(name);
  const [from, to] =
    side !== null
      ? [roles[`${side}UpperLeg`], roles[`${side}LowerLeg`]]
      : name === 'head'
        ? [roles.head, roles.head]
        : [roles.hips, jointAbove(roles, 'head')];
  if (from === undefined || to === undefined || to === null) return null;
  return [
    { joint: from, offset: [0, 0, 0] },
    { joint: to, offset: [0, 0, 0] },
  ];
}

function sideOfPiece(name: BodyPieceName): Side | null {
  return name === 'leftThigh' ? 'left' : name === 'rightThigh' ? 'right' : null;
}

function pieceOfRole(role: Role): PieceName {
  const side = sideOf(role);
  if (side === null || /Shoulder|Eye/.test(role)) return /head|jaw|Eye/.test(role) ? 'head' : 'trunk';
  if (role === `${side}UpperLeg`) return `${side}Thigh`;
  if (role === `${side}LowerArm`) return `${side}Forearm`;
  return /UpperArm|Leg|Foot|Toes/.test(role) ? 'other' : `${side}Hand`;
}

/** The piece that each joint's skin belongs to, as its place in `PIECES`. */
const piecesOfJoints = oncePer((build: Build) => partsOfJoints(build, (role) => PIECES.indexOf(pieceOfRole(role))));

const piecesOfVertices = oncePerKey((build: Build, skin: SkinMesh) =>
  partsOfVertices(skin, piecesOfJoints(build), PIECES.length),
);

/** Whether most corners of a triangle belong to some pieces. */
function isOf(build: Build, names: readonly PieceName[]): Parameters<typeof spreadPoints>[2] {
  return (skin, corners) => {
    const pieces = piecesOfVertices(build, skin);
    let count = 0;
    for (let k = 0; k < 3; k++) {
      const piece = PIECES[pieces[corners[k]!]!];
      if (piece && names.includes(piece)) count++;
    }
    return count > 1;
  };
}

function isAll(skin: SkinMesh, belongs: Parameters<typeof spreadPoints>[2]): boolean {
  const none = new Float64Array(0);
  for (let i = 0; i < skin.triangles.length; i += 3)
    if (!belongs(skin, skin.triangles.subarray(i, i + 3), none)) return false;
  return true;
}

function middleOf({ places, count }: SkinPoints): Float64Array {
  const middle = new Float64Array(3);
  for (let i = 0; i < count * 3; i++) middle[i % 3]! += places[i]! / count;
  return middle;
}

/** A world place of the rest pose in the frame of a joint. */
function offsetIn({ rest }: Build, joint: number, place: Float64Array): BodyPoint['offset'] {
  const offset = Float64Array.from(place, (x, k) => x - rest.positions[joint * 3 + k]!);
  rotateVecInverse(offset, 0, rest.rotations, joint * 4, offset, 0);
  return [offset[0]!, offset[1]!, offset[2]!];
}

/** How far a place lies along the line between two ends: 0 at the first, 1 at the second. */
function shareAlong(places: Float64Array, at: number, ends: Float64Array): number {
  let [dot, square] = [0, 0];
  for (let k = 0; k < 3; k++) {
    const along = ends[k + 3]! - ends[k]!;
    dot += (places[at + k]! - ends[k]!) * along;
    square += along * along;
  }
  return dot / square;
}
