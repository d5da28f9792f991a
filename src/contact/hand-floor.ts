/**
 * Hands that the floor stops. An arm that is long for its legs reaches under the floor where the performer's does not, when it
 * hangs from a kneeling or crouching body: its hand is lifted until its lowest skin lies on the floor. The lift begins while
 * the hand is still a little over the floor, so that its speed is continuous.
 *
 * Tried and left: the depth eased over time, by its largest within 0.1 s. A hand that comes down fast was held up to 0.3 leg
 * lengths over the floor before it was needed.
 */
import { rotateAddVec } from '../math/quat.ts';
import { distanceVec } from '../math/vec.ts';
import { sidedRole } from '../pairing/roles.ts';
import type { Actor } from '../retarget/actor.ts';
import type { LimbTargets } from '../retarget/limb-targets.ts';
import type { RetargetPlan } from '../retarget/plan.ts';
import type { Clip } from '../skeleton/clip.ts';
import { boundBelow, createLowProbe, type LowProbe, lowestVertex } from '../skeleton/lowest-vertex.ts';
import { createPartialPose, type PartialPose, readPartialPose } from '../skeleton/partial-pose.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { restWorldPose, type Skeleton, type WorldPose } from '../skeleton/skeleton.ts';
import { keepVertices, type SkinMesh, skinVertices } from '../skeleton/skin.ts';
import { clearOf } from './ankle-path.ts';
import { readWrist } from './hand-parts.ts';
import type { HandRests } from './hand-rests.ts';
import { envelope, type FrameSpan, weightNear } from './hold.ts';

/** One hand of a figure: its skin, or the joints and tips that stand for it. */
export interface HandShape {
  /** Its arm's place in the alignment, 2 or 3. */
  limb: number;
  lower: number;
  /** -1 where the arm ends in its forearm. */
  end: number;
  skins: LowProbe[];
  points: { joint: number; offset: Float64Array }[];
  /** All joints that move it. */
  joints: number[];
  /** The farthest that it reaches from the wrist, metres. */
  reach: number;
}

/** Where an arm ends in its forearm, this last share of it is its hand. */
const FOREARM_SHARE = 0.5;
/** Between two looks (s) a hand does not sink by more than this share of its arm's length. */
const LOOK = 0.1;
const SINKS = 0.5;
/**
 * A hand that comes nearer to the floor on its way into it is led over it: nearer than this share of its arm, and than the
 * way that it sinks in this time (s), or one that comes down fast would be stopped at once.
 */
const NEAR_FLOOR = 0.04;
const AHEAD = 0.03;
/** A hand is put down on the floor, and taken off it, in this time (s). */
const SETTLE = 0.1;
/** A hand that is higher than this over the floor (share of its arm) is not led. */
const FAR = 0.4;
/** A hand that bends may reach farther than in the rest pose: so many times. */
const SLACK = 1.1;
/** An arm that is folded almost as far as arms do moves its hand out instead, from so much of its length on. */
const UNFOLD = 0.05;
/** Where a forearm is the hand, lifting it turns it, and what it needs changes: so often it is looked at. */
const ROUNDS = 3;
/** What is less deep than this (share of the arm) is in the floor by rounding. */
const NOTHING = 1e-4;

/** Allocates its result; an arm that the figure does not have is left out. */
export function handShapes(actor: Actor, skins: readonly SkinMesh[]): HandShape[] {
  const pose = restWorldPose(actor.skeleton);
  return SIDES.flatMap((side, i) => {
    const shape = handShape(actor, skins, side, 2 + i, pose);
    return shape ? [shape] : [];
  });
}

function handShape(
  actor: Actor,
  skins: readonly SkinMesh[],
  side: Side,
  limb: number,
  pose: WorldPose,
): HandShape | null {
  const { skeleton, body } = actor;
  const { roles } = body;
  const lower = roles[sidedRole(side, 'LowerArm')];
  if (lower === undefined) return null;
  const end = roles[sidedRole(side, 'Hand')] ?? -1;
  // Fingers and palm joints may have no role. A forearm without a hand has its fingers among what has none.
  const withRole = new Set(Object.values(roles));
  const own = new Set(
    end >= 0 ? below(skeleton, end) : below(skeleton, lower).filter((j) => j === lower || !withRole.has(j)),
  );
  const wrist = new Float64Array(3);
  readWrist(wrist, 0, pose, actor, { limb, lower, end });
  const forearm = Float64Array.from(wrist, (x, k) => x - pose.positions[lower * 3 + k]!);
  const isInside = (world: Float64Array, at: number): boolean =>
    end >= 0 || dotFrom(world, at, pose.positions, lower * 3, forearm) > FOREARM_SHARE * dot(forearm, forearm);
  const kept: SkinMesh[] = [];
  const held: SkinMesh[] = [];
  for (const skin of skins) {
    const world = new Float64Array(skin.vertexCount * 3);
    skinVertices(skin, pose, world, new Float64Array(skin.bind.length));
    const found = [...Array(skin.vertexCount).keys()].filter((v) => follows(skin, v, own) && isInside(world, v * 3));
    if (found.length === 0) continue;
    // A mesh that is all hand beside one that is not is something that the hand holds.
    (found.length < skin.vertexCount ? kept : held).push(keepVertices(skin, Uint32Array.from(found)));
  }
  const meshes = kept.length > 0 ? kept : held;
  const points = meshes.length > 0 ? [] : pointsOf(actor, own, limb, end < 0 ? lower : -1);
  const shape: HandShape = {
    limb,
    lower,
    end,
    skins: meshes.map(createLowProbe),
    points,
    joints: [lower, ...own, ...meshes.flatMap(({ joints }) => [...new Set(joints)])],
    reach: reachOf(pose, wrist, meshes, points),
  };
  return shape;
}

/** A joint and all that hang from it. */
function below({ subtreeEnd }: Skeleton, joint: number): number[] {
  return Array.from({ length: subtreeEnd[joint]! - joint }, (_, i) => joint + i);
}

function pointsOf(
  { skeleton, alignment }: Actor,
  own: ReadonlySet<number>,
  limb: number,
  forearm: number,
): HandShape['points'] {
  if (forearm >= 0) return [{ joint: forearm, offset: alignment.limbEnds.slice(limb * 3, limb * 3 + 3) }];
  return [
    ...[...own].map((joint) => ({ joint, offset: new Float64Array(3) })),
    ...skeleton.tips
      .filter(({ joint }) => own.has(joint))
      .map(({ joint, offset }) => ({ joint, offset: Float64Array.from(offset) })),
  ];
}

/** Whether some joints move a vertex more than all others together. */
function follows({ influences, joints, weights }: SkinMesh, v: number, own: ReadonlySet<number>): boolean {
  let rest = 0;
  for (let i = v * influences; i < (v + 1) * influences; i++) rest += (own.has(joints[i]!) ? -1 : 1) * weights[i]!;
  return rest < 0;
}

function dot(a: Float64Array, b: Float64Array): number {
  return a[0]! * b[0]! + a[1]! * b[1]! + a[2]! * b[2]!;
}

function dotFrom(p: Float64Array, at: number, from: Float64Array, i: number, line: Float64Array): number {
  let sum = 0;
  for (let k = 0; k < 3; k++) sum += (p[at + k]! - from[i + k]!) * line[k]!;
  return sum;
}

/** The farthest that a hand reaches from its wrist in the rest pose, and somewhat more. */
function reachOf(
  pose: WorldPose,
  wrist: Float64Array,
  meshes: readonly SkinMesh[],
  points: HandShape['points'],
): number {
  let farthest = 0;
  for (const skin of meshes) {
    const world = new Float64Array(skin.vertexCount * 3);
    skinVertices(skin, pose, world, new Float64Array(skin.bind.length));
    for (let at = 0; at < world.length; at += 3) farthest = Math.max(farthest, distanceVec(world, at, wrist, 0));
  }
  for (const point of points) {
    placePoint(pose, point);
    farthest = Math.max(farthest, distanceVec(spot, 0, wrist, 0));
  }
  return SLACK * farthest;
}

const spot = new Float64Array(3);

function placePoint({ rotations, positions }: WorldPose, { joint, offset }: HandShape['points'][number]): void {
  rotateAddVec(spot, 0, rotations, joint * 4, offset, 0, positions, joint * 3);
}

/**
 * Lifts hands out of the floor. What the performer's own wrist has under the floor the hand may have too, scaled.
 *
 * @param rests    of the performer's hands
 * @param base     the target's motion so far
 * @param hands    of the target
 * @param targets  rows of the arms are overwritten where a hand is lifted; all else is left
 * @param solve    solves `base` anew where `targets` lead an arm
 * @returns whether any hand was lifted
 */
export function liftHands(
  plan: RetargetPlan,
  rests: HandRests,
  base: Clip,
  hands: readonly HandShape[],
  targets: LimbTargets,
  solve: () => void,
): boolean {
  const lifts = hands.flatMap((hand) => {
    const lift = liftOf(plan, rests, base, hand);
    return lift ? [lift] : [];
  });
  for (let round = 0; round < ROUNDS; round++) {
    let any = false;
    for (const lift of lifts) if (moveHand(plan, lift, targets)) any = true;
    if (!any) break;
    solve();
  }
  return lifts.length > 0;
}

/** A hand that has to be lifted. */
interface Lift {
  hand: HandShape;
  /** The joint from which its arm hangs. */
  shoulder: number;
  armLength: number;
  partial: PartialPose;
  /** How high its lowest point should be over the floor, a frame; NaN where the hand is left alone. */
  wanted: Float64Array;
  /** The nearest that the wrist may come to the shoulder: the arm folded as far as arms do, or as it is by itself; a frame. */
  nearest: Float64Array;
  /** What it may have in the floor, since the performer's wrist is there, a frame. */
  sunk: Float64Array;
}

/** Null where the hand is nowhere in the floor. */
function liftOf(plan: RetargetPlan, rests: HandRests, base: Clip, hand: HandShape): Lift | null {
  const arm = plan.limbs.find(({ limb }) => limb === hand.limb);
  const performer = rests.arms[hand.limb - 2];
  if (!arm || !performer) return null;
  const partial = createPartialPose(plan.target.skeleton, base, hand.joints);
  const { frameCount } = base;
  const sunk = depths(performer.wrists, plan.scale);
  const wanted = new Float64Array(frameCount).fill(Number.NaN);
  const nearest = new Float64Array(frameCount);
  const lift: Lift = { hand, shoulder: arm.dstUpper, armLength: arm.length, partial, wanted, nearest, sunk };
  const over = heightsNearFloor(plan, lift, rests.fps);
  const near = nearness(over, performer.floor, arm.length, rests.fps);
  let any = false;
  for (let first = 0; first < frameCount; first++) {
    if (over[first]! >= near[first]!) continue;
    let last = first;
    let deepest = over[first]!;
    while (last + 1 < frameCount && over[last + 1]! < near[last + 1]!) deepest = Math.min(deepest, over[++last]!);
    if (deepest < -NOTHING * arm.length) {
      any = true;
      for (let f = first; f <= last; f++) {
        wanted[f] = clearOf(over[f]!, near[f]!);
        const pose = readPartialPose(partial, f);
        readWrist(spot, 0, pose, plan.target, hand);
        nearest[f] = Math.min(arm.folded, distanceVec(spot, 0, pose.positions, arm.dstUpper * 3));
      }
    }
    first = last;
  }
  return any ? lift : null;
}

/** Leads the wrist to where the hand is as high as is wanted; false where it is already. */
function moveHand(plan: RetargetPlan, lift: Lift, targets: LimbTargets): boolean {
  const { hand, armLength, shoulder, partial, wanted, nearest } = lift;
  let any = false;
  for (let f = 0; f < wanted.length; f++) {
    if (Number.isNaN(wanted[f]!)) continue;
    const row = f * 4 + hand.limb;
    const pose = readPartialPose(partial, f);
    const off = wanted[f]! - heightOver(lift, pose, f);
    if (Math.abs(off) > NOTHING * armLength) any = true;
    readWrist(targets.positions, row, pose, plan.target, hand);
    targets.positions[row * 3 + 1]! += off;
    moveOut(targets.positions, row * 3, pose.positions, shoulder * 3, nearest[f]!, UNFOLD * armLength);
    targets.positionWeights[row] = 1;
  }
  return any;
}

/**
 * Moves a point away from a root, level, where it is nearer than it may be: from `soft` farther on, without a kink. One that is
 * straight below or above stays.
 */
function moveOut(point: Float64Array, i: number, root: Float64Array, j: number, nearest: number, soft: number): void {
  const [x, y, z] = [point[i]! - root[j]!, point[i + 1]! - root[j + 1]!, point[i + 2]! - root[j + 2]!];
  const far = nearest + clearOf(Math.hypot(x, y, z) - nearest, soft);
  const more = Math.sqrt(Math.max(0, far * far - y * y)) / Math.hypot(x, z);
  if (!(more > 1 && Number.isFinite(more))) return;
  point[i] = root[j]! + more * x;
  point[i + 2] = root[j + 2]! + more * z;
}

/** How high the lowest point of a hand is over the floor, or over what it may have in it. */
function heightOver({ hand, sunk }: Lift, pose: WorldPose, f: number): number {
  let lowest = Number.POSITIVE_INFINITY;
  for (const probe of hand.skins) lowest = Math.min(lowest, lowestVertex(probe, pose));
  for (const point of hand.points) {
    placePoint(pose, point);
    lowest = Math.min(lowest, spot[1]!);
  }
  return lowest + sunk[f]!;
}

/** The height over the floor from which on a hand is led, a frame; 0 while it rests on the floor. */
function nearness(over: Float64Array, floor: readonly FrameSpan[], armLength: number, fps: number): Float64Array {
  const settle = Math.max(2, Math.round(SETTLE * fps));
  const grounded = new Float64Array(over.length);
  weightNear(grounded, floor, settle);
  const speeds = new Float64Array(over.length);
  for (let f = 0; f < over.length; f++) {
    const change = Math.abs(over[f]! - over[Math.max(0, f - 1)]!);
    speeds[f] = Number.isFinite(change) ? change : 0;
  }
  const near = envelope(speeds, settle);
  for (let f = 0; f < near.length; f++) {
    near[f] = (NEAR_FLOOR * armLength + AHEAD * fps * near[f]!) * (1 - grounded[f]!);
  }
  return near;
}

/** How deep a path is under the floor in each frame, scaled. */
function depths(path: Float64Array, scale: number): Float64Array {
  const deep = new Float64Array(path.length / 3);
  for (let f = 0; f < deep.length; f++) deep[f] = Math.max(0, -path[f * 3 + 1]! * scale);
  return deep;
}

/** `heightOver` in each frame; infinite where the hand is far above the floor. */
function heightsNearFloor(plan: RetargetPlan, lift: Lift, fps: number): Float64Array {
  const { hand, armLength, partial, sunk } = lift;
  const frameCount = sunk.length;
  const wrist = new Float64Array(3);
  const step = Math.max(1, Math.floor(LOOK * fps));
  const looks = new Float64Array(Math.ceil(frameCount / step) + 1);
  for (let i = 0; i < looks.length; i++) {
    readWrist(wrist, 0, readPartialPose(partial, Math.min(frameCount - 1, i * step)), plan.target, hand);
    looks[i] = wrist[1]! - hand.reach;
  }
  const heights = new Float64Array(frameCount).fill(Number.POSITIVE_INFINITY);
  for (let f = 0; f < frameCount; f++) {
    const i = Math.floor(f / step);
    if (Math.min(looks[i]!, looks[i + 1]!) > SINKS * armLength) continue;
    const pose = readPartialPose(partial, f);
    const isFar = hand.skins.length > 0 && hand.skins.every((probe) => boundBelow(probe, pose) > FAR * armLength);
    if (!isFar) heights[f] = heightOver(lift, pose, f);
  }
  return heights;
}
