import { RigproofError } from '../errors.ts';
import { rotateVec, rotateVecInverse, rotateXyz, slerpQuat } from '../math/quat.ts';
import { distanceVec, lerpVec } from '../math/vec.ts';
import { ROLES, type Role, sidedRole } from '../pairing/roles.ts';
import { framePose, restLocalPose } from '../skeleton/clip.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { createWorldPose, restWorldPose, type WorldPose } from '../skeleton/skeleton.ts';
import { skinVertices } from '../skeleton/skin.ts';
import type { BodyPoint, FootPoints, ProofFigure } from './measure.ts';

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

/**
 * World positions and rotations of the joints that matter, for every frame of the target's time line:
 * `positions[(f * slots + slotOf[joint]) * 3 + k]`, rotations likewise with 4. Joints that are not tracked have slot -1.
 */
export interface Track {
  figure: ProofFigure;
  frameCount: number;
  frameDuration: number;
  slots: number;
  slotOf: Int16Array;
  positions: Float64Array;
  rotations: Float64Array;
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

function pointsOf(foot: FootPoints | undefined): (BodyPoint | null)[] {
  return foot ? [foot.heel, foot.heelFront, foot.ball, foot.toe] : [];
}

/** The name of a joint as a person finds it in the rig. */
export function jointName(figure: ProofFigure, joint: number): string {
  return figure.skeleton.names[joint] || `#${joint}`;
}

/**
 * Follows a figure over `frameCount` moments, `firstFrame` and `step` in frames of its own clip. A moment between two
 * frames is interpolated (positions straight, rotations spherically).
 */
export function buildTrack(figure: ProofFigure, frameCount: number, firstFrame: number, step: number): Track {
  const { skeleton, clip, roles } = figure;
  const slotOf = new Int16Array(skeleton.jointCount).fill(-1);
  const tracked: number[] = [];
  const add = (joint: number | undefined) => {
    if (joint === undefined || slotOf[joint]! >= 0) return;
    slotOf[joint] = tracked.length;
    tracked.push(joint);
  };
  for (const role of ROLES) add(roles[role]);
  for (const side of SIDES) for (const point of pointsOf(figure.feet?.[side])) add(point?.joint);

  const slots = tracked.length;
  const positions = new Float64Array(frameCount * slots * 3);
  const rotations = new Float64Array(frameCount * slots * 4);
  const scratch = restLocalPose(skeleton);
  const pose = createWorldPose(skeleton.jointCount);
  const next = createWorldPose(skeleton.jointCount);
  for (let f = 0; f < frameCount; f++) {
    const at = Math.min(Math.max(0, firstFrame + f * step), clip.frameCount - 1);
    let low = Math.floor(at + 1e-6);
    let t = at - low;
    if (t < 1e-6 || low + 1 >= clip.frameCount) {
      t = 0;
      low = Math.min(low, clip.frameCount - 1);
    }
    framePose(skeleton, clip, low, scratch, pose);
    if (t > 0) framePose(skeleton, clip, low + 1, scratch, next);
    for (let s = 0; s < slots; s++) {
      const j = tracked[s]!;
      const p = (f * slots + s) * 3;
      const q = (f * slots + s) * 4;
      lerpVec(positions, p, pose.positions, j * 3, t > 0 ? next.positions : pose.positions, j * 3, t);
      slerpQuat(rotations, q, pose.rotations, j * 4, t > 0 ? next.rotations : pose.rotations, j * 4, t);
    }
  }
  const rest = restWorldPose(skeleton);
  const limbs = Object.fromEntries(LIMB_NAMES.map((limb) => [limb, limbPoints(figure, rest, limb)])) as Track['limbs'];
  const legs = [limbs.leftLeg, limbs.rightLeg].filter((leg) => leg !== null);
  const legLength = legs.reduce((sum, leg) => sum + leg.upper + leg.lower, 0) / (legs.length || 1);
  const track: Track = {
    figure,
    frameCount,
    frameDuration: clip.frameDuration * step,
    slots,
    slotOf,
    positions,
    rotations,
    rest,
    standing: false,
    legLength,
    limbs,
  };
  track.standing = isStanding(track);
  return track;
}

function limbPoints(figure: ProofFigure, rest: WorldPose, limb: LimbName): LimbPoints | null {
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
function endPoint(figure: ProofFigure, rest: WorldPose, middle: number, end: number | undefined): BodyPoint | null {
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
function skinEnd(figure: ProofFigure, rest: WorldPose, joint: number): BodyPoint | null {
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

/** out = world position of a tracked point in frame `f`. */
export function pointAt(track: Track, f: number, point: BodyPoint, out: Float64Array, o: number): void {
  const s = f * track.slots + track.slotOf[point.joint]!;
  const { offset } = point;
  if (offset[0] === 0 && offset[1] === 0 && offset[2] === 0) {
    out[o] = track.positions[s * 3]!;
    out[o + 1] = track.positions[s * 3 + 1]!;
    out[o + 2] = track.positions[s * 3 + 2]!;
    return;
  }
  rotateXyz(out, o, track.rotations, s * 4, offset[0], offset[1], offset[2]);
  out[o]! += track.positions[s * 3]!;
  out[o + 1]! += track.positions[s * 3 + 1]!;
  out[o + 2]! += track.positions[s * 3 + 2]!;
}

/** World path of a point, frameCount × 3. */
export function pathOf(track: Track, point: BodyPoint): Float64Array {
  const path = new Float64Array(track.frameCount * 3);
  for (let f = 0; f < track.frameCount; f++) pointAt(track, f, point, path, f * 3);
  return path;
}

/** Index of a joint's rotation in `track.rotations`. */
export function rotationIndex(track: Track, f: number, joint: number): number {
  return (f * track.slots + track.slotOf[joint]!) * 4;
}

/** Index of a joint's position in `track.positions`. */
export function positionIndex(track: Track, f: number, joint: number): number {
  return (f * track.slots + track.slotOf[joint]!) * 3;
}

const STANDING_LEAN = Math.cos((35 * Math.PI) / 180);

/** Where the lowest joint or tip of a standing foot lies, as shares of leg length: on the floor, or a toes joint above it. */
const FOOT_LOWEST = [-0.03, 0.12] as const;
/** An ankle joint with nothing below it may be this high: 0.08 on an adult (Drillis & Contini), more on a child in shoes. */
const BARE_ANKLE = 0.25;

/** Legs hang down and the feet are near y = 0: only then does the rest pose tell where the sole is. */
function isStanding(track: Track): boolean {
  const { rest, limbs, legLength, figure } = track;
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

/**
 * Pelvis axes in frame `f`: x to the left (right hip to left hip), y up, z ahead. Up is what stood upright in the rest pose of
 * the hips joint; where the rest pose does not stand, the way up the trunk.
 * Writes x, y, z as nine numbers and returns false where a joint is missing or the axes cannot be told apart.
 */
export function pelvisAxes(track: Track, f: number, out: Float64Array, o: number): boolean {
  const { roles } = track.figure;
  const left = roles.leftUpperLeg;
  const right = roles.rightUpperLeg;
  if (left === undefined || right === undefined || !upwards(track, f, up)) return false;
  const p = track.positions;
  const l = positionIndex(track, f, left);
  const r = positionIndex(track, f, right);
  const [ux, uy, uz] = [up[0]!, up[1]!, up[2]!];
  let xx = p[l]! - p[r]!;
  let xy = p[l + 1]! - p[r + 1]!;
  let xz = p[l + 2]! - p[r + 2]!;
  const xl = Math.hypot(xx, xy, xz);
  if (xl < 1e-6 * track.legLength) return false;
  xx /= xl;
  xy /= xl;
  xz /= xl;
  let zx = xy * uz - xz * uy;
  let zy = xz * ux - xx * uz;
  let zz = xx * uy - xy * ux;
  const zl = Math.hypot(zx, zy, zz);
  if (zl < 1e-6 * track.legLength) return false;
  zx /= zl;
  zy /= zl;
  zz /= zl;
  out[o] = xx;
  out[o + 1] = xy;
  out[o + 2] = xz;
  out[o + 3] = zy * xz - zz * xy;
  out[o + 4] = zz * xx - zx * xz;
  out[o + 5] = zx * xy - zy * xx;
  out[o + 6] = zx;
  out[o + 7] = zy;
  out[o + 8] = zz;
  return true;
}

const up = new Float64Array(3);

function upwards(track: Track, f: number, out: Float64Array): boolean {
  const { roles } = track.figure;
  if (track.standing && roles.hips !== undefined) {
    out[0] = 0;
    out[1] = 1;
    out[2] = 0;
    rotateVecInverse(out, 0, track.rest.rotations, roles.hips * 4, out, 0);
    rotateVec(out, 0, track.rotations, rotationIndex(track, f, roles.hips), out, 0);
    return true;
  }
  const top = roles.chest ?? roles.upperChest ?? roles.spine ?? roles.neck ?? roles.head;
  const { leftUpperLeg, rightUpperLeg } = roles;
  if (top === undefined || leftUpperLeg === undefined || rightUpperLeg === undefined) return false;
  const t = positionIndex(track, f, top);
  const l = positionIndex(track, f, leftUpperLeg);
  const r = positionIndex(track, f, rightUpperLeg);
  const p = track.positions;
  for (let k = 0; k < 3; k++) out[k] = p[t + k]! - (p[l + k]! + p[r + k]!) / 2;
  return true;
}
