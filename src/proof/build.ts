import { RigproofError } from '../errors.ts';
import { rotateVecInverse, rotateXyz } from '../math/quat.ts';
import { distanceVec } from '../math/vec.ts';
import { PARENT_ROLE, type Role, sidedRole } from '../pairing/roles.ts';
import { oncePerKey } from '../skeleton/once-per.ts';
import type { Side } from '../skeleton/side.ts';
import { restWorldPose, type WorldPose } from '../skeleton/skeleton.ts';
import type { SkinMesh } from '../skeleton/skin.ts';
import { skinVertices } from '../skeleton/skin.ts';
import type { BodyPoint, ProofFigure } from './measure.ts';

/** Root, middle and end of a limb; the end may be a tip where the hand or foot has no joint. */
export interface LimbPoints {
  root: BodyPoint;
  middle: BodyPoint;
  end: BodyPoint;
  roles: { root: Role; middle: Role; end: Role };
  /** Lengths in the rest pose, metres. */
  upper: number;
  lower: number;
}

export const LIMB_NAMES = ['leftLeg', 'rightLeg', 'leftArm', 'rightArm'] as const;
export type LimbName = (typeof LIMB_NAMES)[number];

/** A figure without its motion. */
export type Shape = Omit<ProofFigure, 'clip'>;

/** What a figure is apart from its motion. Two motions of one figure share it. */
export interface Build {
  figure: Shape;
  rest: WorldPose;
  /** Whether the rest pose is a person standing: legs down, feet on the floor. */
  standing: boolean;
  legLength: number;
  limbs: Record<LimbName, LimbPoints | null>;
}

export function checkFigure(figure: ProofFigure, which: 'target' | 'source'): void {
  const { skeleton, clip, roles } = figure;
  if (clip.jointCount !== skeleton.jointCount)
    throw new RigproofError(
      'PROOF_CLIP_MISMATCH',
      `The clip of the ${which} moves ${clip.jointCount} joints, but its skeleton has ${skeleton.jointCount}.`,
      {},
      { hint: 'Hand in the clip that was read together with this skeleton.' },
    );
  for (const [role, joint] of Object.entries(roles))
    if (!Number.isInteger(joint) || joint < 0 || joint >= skeleton.jointCount)
      throw new RigproofError(
        'PROOF_ROLE_JOINT',
        `The ${which} gives ${role} to joint ${joint}, but joints run from 0 to ${skeleton.jointCount - 1}.`,
        {},
        { hint: 'Pair the joints again: the pairing belongs to another skeleton.' },
      );
}

/** The name of a joint as a person finds it in the rig. */
export function jointName(figure: Shape, joint: number): string {
  return figure.skeleton.names[joint] || `#${joint}`;
}

/** The joint of the nearest role above that a figure has; null where it has none. */
export function jointAbove(roles: Shape['roles'], role: Role): number | null {
  for (let up = PARENT_ROLE[role]; up !== null; up = PARENT_ROLE[up]) {
    const joint = roles[up];
    if (joint !== undefined) return joint;
  }
  return null;
}

/** World positions of a mesh's vertices in the rest pose, vertexCount × 3. */
export const restVertices = oncePerKey((build: Build, skin: SkinMesh): Float64Array => {
  const world = new Float64Array(skin.vertexCount * 3);
  skinVertices(skin, build.rest, world, new Float64Array(skin.bind.length));
  return world;
});

export function createBuild({ skeleton, roles, skins, feet }: Shape): Build {
  const figure: Shape = { skeleton, roles, skins, feet };
  const rest = restWorldPose(skeleton);
  const limbs = Object.fromEntries(LIMB_NAMES.map((limb) => [limb, limbPoints(figure, rest, limb)])) as Build['limbs'];
  const legs = [limbs.leftLeg, limbs.rightLeg].filter((leg) => leg !== null);
  const legLength = legs.reduce((sum, leg) => sum + leg.upper + leg.lower, 0) / (legs.length || 1);
  const build: Build = { figure, rest, standing: false, legLength, limbs };
  build.standing = isStanding(build);
  return build;
}

function limbPoints(figure: Shape, rest: WorldPose, limb: LimbName): LimbPoints | null {
  const side: Side = limb.startsWith('left') ? 'left' : 'right';
  const isLeg = limb.endsWith('Leg');
  const names = {
    root: sidedRole(side, isLeg ? 'UpperLeg' : 'UpperArm'),
    middle: sidedRole(side, isLeg ? 'LowerLeg' : 'LowerArm'),
    end: sidedRole(side, isLeg ? 'Foot' : 'Hand'),
  };
  const root = figure.roles[names.root];
  const middle = figure.roles[names.middle];
  if (root === undefined || middle === undefined) return null;
  const end = endPoint(figure, rest, middle, figure.roles[names.end]);
  if (end === null) return null;
  const endWorld = new Float64Array(3);
  pointInPose(rest, end, endWorld, 0);
  const upper = distanceVec(rest.positions, root * 3, rest.positions, middle * 3);
  const lower = distanceVec(rest.positions, middle * 3, endWorld, 0);
  if (!(upper > 0 && lower > 0)) return null;
  return { root: at(root), middle: at(middle), end, roles: names, upper, lower };
}

/** The joint of the hand or foot; where there is none the farthest tip or child of the segment above, or the end of its skin. */
function endPoint(figure: Shape, rest: WorldPose, middle: number, end: number | undefined): BodyPoint | null {
  if (end !== undefined) return at(end);
  const { skeleton } = figure;
  let best: BodyPoint | null = null;
  let longest = 0;
  const consider = (x: number, y: number, z: number) => {
    const length = Math.hypot(x, y, z);
    if (length <= longest) return;
    longest = length;
    best = { joint: middle, offset: [x, y, z] };
  };
  for (const tip of skeleton.tips) if (tip.joint === middle) consider(...tip.offset);
  const t = skeleton.restTranslations;
  for (let j = middle + 1; j < skeleton.subtreeEnd[middle]!; j++)
    if (skeleton.parents[j] === middle) consider(t[j * 3]!, t[j * 3 + 1]!, t[j * 3 + 2]!);
  return best ?? skinEnd(figure, rest, middle);
}

/** Middle of the skin in the last tenth of a segment, as far as vertices follow its joint. */
function skinEnd(figure: Shape, rest: WorldPose, joint: number): BodyPoint | null {
  const points: number[] = [];
  for (const skin of figure.skins ?? []) {
    const world = new Float64Array(skin.vertexCount * 3);
    skinVertices(skin, rest, world, new Float64Array(skin.bind.length));
    for (let v = 0; v < skin.vertexCount; v++) {
      let own = 0;
      let all = 0;
      for (let i = v * skin.influences; i < (v + 1) * skin.influences; i++) {
        all += skin.weights[i]!;
        if (skin.joints[i] === joint) own += skin.weights[i]!;
      }
      if (own > 0.5 * all) for (let k = 0; k < 3; k++) points.push(world[v * 3 + k]! - rest.positions[joint * 3 + k]!);
    }
  }
  let farthest = 0;
  for (let i = 0; i < points.length; i += 3)
    farthest = Math.max(farthest, Math.hypot(points[i]!, points[i + 1]!, points[i + 2]!));
  if (farthest === 0) return null;
  const offset = new Float64Array(3);
  let count = 0;
  for (let i = 0; i < points.length; i += 3) {
    if (Math.hypot(points[i]!, points[i + 1]!, points[i + 2]!) < 0.9 * farthest) continue;
    count++;
    for (let k = 0; k < 3; k++) offset[k]! += points[i + k]!;
  }
  for (let k = 0; k < 3; k++) offset[k]! /= count;
  rotateVecInverse(offset, 0, rest.rotations, joint * 4, offset, 0);
  return { joint, offset: [offset[0]!, offset[1]!, offset[2]!] };
}

function at(joint: number): BodyPoint {
  return { joint, offset: [0, 0, 0] };
}

/** out = world position of a point in a pose of all joints. */
export function pointInPose(pose: WorldPose, point: BodyPoint, out: Float64Array, o: number): void {
  const { offset } = point;
  rotateXyz(out, o, pose.rotations, point.joint * 4, offset[0], offset[1], offset[2]);
  for (let k = 0; k < 3; k++) out[o + k]! += pose.positions[point.joint * 3 + k]!;
}

const STANDING_LEAN = Math.cos((35 * Math.PI) / 180);

/** Where the lowest joint or tip of a standing foot lies, as shares of leg length: on the floor, or a toes joint above it. */
const FOOT_LOWEST = [-0.03, 0.12] as const;
/** An ankle joint with nothing below it may be this high: 0.08 on an adult (Drillis & Contini), more on a child in shoes. */
const BARE_ANKLE = 0.25;

/** Legs hang down and the feet are near y = 0: only then does the rest pose tell where the sole is. */
function isStanding(build: Build): boolean {
  const { rest, limbs, legLength, figure } = build;
  const legs = [limbs.leftLeg, limbs.rightLeg].filter((leg) => leg !== null);
  if (legs.length === 0 || legLength === 0) return false;
  const end = new Float64Array(3);
  return legs.every((leg) => {
    pointInPose(rest, leg.end, end, 0);
    const root = leg.root.joint * 3;
    const drop = rest.positions[root + 1]! - end[1]!;
    const reach = distanceVec(rest.positions, root, end, 0);
    if (drop < STANDING_LEAN * reach) return false;
    const ankle = end[1]!;
    let lowest = ankle;
    const toes = figure.roles[leg.roles.end === 'leftFoot' ? 'leftToes' : 'rightToes'];
    if (toes !== undefined) lowest = Math.min(lowest, rest.positions[toes * 3 + 1]!);
    for (const tip of figure.skeleton.tips) {
      if (tip.joint !== leg.end.joint && tip.joint !== toes) continue;
      pointInPose(rest, { joint: tip.joint, offset: [...tip.offset] }, end, 0);
      lowest = Math.min(lowest, end[1]!);
    }
    const highest = lowest < ankle ? FOOT_LOWEST[1] : BARE_ANKLE;
    return lowest > FOOT_LOWEST[0] * legLength && lowest < highest * legLength;
  });
}

/** How tall a person stands, in leg lengths: hip to ankle (Drillis & Contini 1966, as printed in Winter; value from memory). */
const STATURE = 1 / 0.491;

/** How tall a figure stands by its joints in the rest pose, leg lengths; where that does not stand, as a person. */
export function stature({ standing, rest, figure, legLength }: Build): number {
  if (!standing) return STATURE;
  let [low, high] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
  for (let j = 0; j < figure.skeleton.jointCount; j++) {
    low = Math.min(low, rest.positions[j * 3 + 1]!);
    high = Math.max(high, rest.positions[j * 3 + 1]!);
  }
  return (high - low) / legLength;
}

/** Distance of the hip joints in the rest pose, leg lengths; NaN where one is missing. */
export function hipSpan({ figure, rest, legLength }: Build): number {
  const { leftUpperLeg: left, rightUpperLeg: right } = figure.roles;
  if (left === undefined || right === undefined) return Number.NaN;
  return distanceVec(rest.positions, left * 3, rest.positions, right * 3) / legLength;
}
