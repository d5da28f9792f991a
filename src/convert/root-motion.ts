import { RigproofError } from '../errors.ts';
import { axisAngleQuat, mulInverseQuat, mulQuat, rotateVec, rotateVecInverse } from '../math/quat.ts';
import { addVec, subVec } from '../math/vec.ts';
import type { Actor } from '../retarget/actor.ts';
import { type Clip, clipWith, createClip, framePose, restLocalPose } from '../skeleton/clip.ts';
import { createWorldPose, isWithin, restWorldPose, type Skeleton } from '../skeleton/skeleton.ts';

/**
 * keep: the hips carry all of the motion. in-place: the figure stays over the place of its rest pose, as on a treadmill.
 * extract: the travel is put onto a root joint of its own above the hips; in the world nothing changes.
 */
export const ROOT_MOTIONS = ['keep', 'in-place', 'extract'] as const;
export type RootMotion = (typeof ROOT_MOTIONS)[number];

export interface RootMotionOptions {
  mode: RootMotion;
  /** extract: whether the root joint takes the heading too, or only the way. */
  heading: boolean;
  /** Seconds: spread of the weights that smooth the pelvis into its path. A stride is about 1.2 s. */
  smoothing: number;
}

/** With half a second, the sway of a stride of 1.2 s keeps 97 % of its size, and the path takes the rest. */
export const ROOT_MOTION_DEFAULTS: RootMotionOptions = { mode: 'keep', heading: true, smoothing: 0.5 };

/** A figure's way over the floor, smooth, without the sway of its steps. */
export interface Travel {
  /** Horizontal place of the pelvis less its place in the rest pose, frameCount × 3 (y is 0), metres. */
  path: Float64Array;
  /** Heading about +Y, radians from +Z towards +X, unwrapped, a frame. */
  heading: Float64Array;
}

export interface RootMotionResult {
  clip: Clip;
  /** What was taken out or moved to the root joint; null where all is kept. */
  travel: Travel | null;
  /** extract: the joint that carries the travel. */
  root: number | null;
}

/**
 * Keeps, removes or extracts the horizontal travel of a motion. Contacts have to be found and feet planted before: in
 * place, a foot that stands moves backwards like the belt of a treadmill (`withTravel` undoes it).
 *
 * The travel is the path of the pelvis smoothed by Gaussian weights; beyond its ends the path is continued by its point
 * reflection there. A straight, steady walk is therefore followed exactly, and the motion that is left begins and ends
 * over the same spot: its mean velocity is zero. Sway and bob of the steps stay with the body.
 *
 * @param clip  world space, on the actor's skeleton; not touched
 * @throws RigproofError ROOT_MOTION_NO_ROOT when nothing above the hips can carry the travel
 */
export function applyRootMotion(actor: Actor, clip: Clip, options: Partial<RootMotionOptions> = {}): RootMotionResult {
  const { mode, heading, smoothing } = { ...ROOT_MOTION_DEFAULTS, ...options };
  if (mode === 'keep' || clip.frameCount === 0) return { clip, travel: null, root: null };
  if (mode === 'in-place') {
    const travel = measureTravel(actor, clip, smoothing);
    return { clip: withTravel(actor.skeleton, clip, travel, -1), travel, root: null };
  }
  const root = rootJointOf(actor, clip);
  const travel = measureTravel(actor, clip, smoothing);
  if (!heading) travel.heading.fill(0);
  return { clip: onRoot(actor, clip, travel, root), travel, root };
}

/**
 * Whether the node above the hips has to be read as a joint (`nodeAbove` of `openCharacter`): where the hips are the topmost
 * joint, nothing else can carry the travel.
 */
export function needsNodeAbove({ skeleton, body }: Actor, mode: RootMotion): boolean {
  const { hips } = body.roles;
  return mode === 'extract' && hips !== undefined && skeleton.parents[hips]! < 0;
}

/** The path and heading of a figure's pelvis, smoothed over `smoothing` seconds. */
export function measureTravel({ skeleton, body, alignment }: Actor, clip: Clip, smoothing: number): Travel {
  const { frameCount } = clip;
  const hips = body.roles.hips ?? 0;
  const rest = restWorldPose(skeleton);
  const local = restLocalPose(skeleton);
  const pose = createWorldPose(skeleton.jointCount);
  const x = new Float64Array(frameCount);
  const z = new Float64Array(frameCount);
  const heading = new Float64Array(frameCount);
  const front = new Float64Array(3);
  rotateVecInverse(front, 0, alignment.posture, hips * 4, Float64Array.of(0, 0, 1), 0);
  const facing = new Float64Array(3);
  for (let f = 0; f < frameCount; f++) {
    framePose(skeleton, clip, f, local, pose);
    x[f] = pose.positions[hips * 3]! - rest.positions[hips * 3]!;
    z[f] = pose.positions[hips * 3 + 2]! - rest.positions[hips * 3 + 2]!;
    rotateVec(facing, 0, pose.rotations, hips * 4, front, 0);
    const before = f > 0 ? heading[f - 1]! : 0;
    // Lying on the back or the face, a pelvis has no heading: it keeps the last one.
    const isLevel = Math.hypot(facing[0]!, facing[2]!) > 0.2;
    const angle = isLevel ? Math.atan2(facing[0]!, facing[2]!) : before;
    heading[f] = angle - 2 * Math.PI * Math.round((angle - before) / (2 * Math.PI));
  }
  const frames = smoothing / clip.frameDuration;
  const smoothX = smoothed(x, frames);
  const smoothZ = smoothed(z, frames);
  const path = new Float64Array(frameCount * 3);
  for (let f = 0; f < frameCount; f++) {
    path[f * 3] = smoothX[f]!;
    path[f * 3 + 2] = smoothZ[f]!;
  }
  return { path, heading: smoothed(heading, frames) };
}

/**
 * The motion shifted along a path: `sign` -1 takes the travel out, 1 gives it back. Only what moves is shifted: the hips
 * and the parts that are keyed apart from them, not the joints above.
 */
export function withTravel(skeleton: Skeleton, clip: Clip, { path }: Travel, sign: 1 | -1): Clip {
  const translations = clip.translations.slice();
  const rest = restLocalPose(skeleton);
  const pose = createWorldPose(skeleton.jointCount);
  const shift = new Float64Array(3);
  const moving = clip.translationJoints.length;
  const carried = topmostMoving(skeleton, clip);
  for (let f = 0; f < clip.frameCount; f++) {
    framePose(skeleton, clip, f, rest, pose);
    for (const m of carried) {
      const parent = skeleton.parents[clip.translationJoints[m]!]!;
      for (let k = 0; k < 3; k++) shift[k] = sign * path[f * 3 + k]!;
      if (parent >= 0) rotateVecInverse(shift, 0, pose.rotations, parent * 4, shift, 0);
      const at = (f * moving + m) * 3;
      for (let k = 0; k < 3; k++) translations[at + k]! += shift[k]!;
    }
  }
  return clipWith(clip, { translations });
}

/** Indices into `translationJoints` of those that no other of them carries. */
function topmostMoving(skeleton: Skeleton, { translationJoints }: Clip): number[] {
  return [...translationJoints.keys()].filter((m) => {
    const joint = translationJoints[m]!;
    return !translationJoints.some((other) => other !== joint && isWithin(skeleton, other, joint));
  });
}

/** The topmost joint that carries everything that moves and does not move itself. */
function rootJointOf({ skeleton, body }: Actor, clip: Clip): number {
  const carried = topmostMoving(skeleton, clip).map((m) => clip.translationJoints[m]!);
  for (let j = 0; j < skeleton.jointCount; j++) {
    if (skeleton.parents[j]! < 0 && carried.every((joint) => joint !== j && isWithin(skeleton, j, joint))) return j;
  }
  const hips = body.roles.hips ?? 0;
  const isTop = skeleton.parents[hips]! < 0;
  throw new RigproofError(
    'ROOT_MOTION_NO_ROOT',
    isTop
      ? `No joint stands above the hips "${skeleton.names[hips]}" that could carry the travel.`
      : 'No joint carries hips and detached parts both, so none can carry the travel.',
    { joint: skeleton.names[hips] },
    {
      hint: 'Give the rig a root joint on the floor that carries everything else and moves no mesh, or keep the travel on the hips (--root-motion keep).',
    },
  );
}

/**
 * The same motion in the world, with the travel on `root`: the root joint is carried by M, which turns about the upright
 * through the pelvis of the rest pose and goes along the path; what moves under it takes M back in its own keys.
 */
function onRoot({ skeleton, body }: Actor, clip: Clip, travel: Travel, root: number): Clip {
  const { frameCount, jointCount } = clip;
  const joints = [...new Set([root, ...clip.translationJoints])].sort((a, b) => a - b);
  const out = createClip(clip.name, frameCount, clip.frameDuration, jointCount, joints);
  out.rotations.set(clip.rotations);
  const moved = new Set(topmostMoving(skeleton, clip).map((m) => clip.translationJoints[m]!));
  const hips = (body.roles.hips ?? root) * 3;
  const { positions } = restWorldPose(skeleton);
  const pivot = Float64Array.of(positions[hips]!, 0, positions[hips + 2]!);
  const local = restLocalPose(skeleton);
  const pose = createWorldPose(jointCount);
  const turn = new Float64Array(4);
  const rotation = new Float64Array(4);
  const place = new Float64Array(3);
  for (let f = 0; f < frameCount; f++) {
    framePose(skeleton, clip, f, local, pose);
    axisAngleQuat(turn, 0, 0, 1, 0, travel.heading[f]!);
    joints.forEach((j, m) => {
      const at = (f * joints.length + m) * 3;
      if (j === root) {
        mulQuat(rotation, 0, turn, 0, pose.rotations, j * 4);
        subVec(place, 0, pose.positions, j * 3, pivot, 0);
        rotateVec(place, 0, turn, 0, place, 0);
        addVec(place, 0, place, 0, pivot, 0);
        addVec(place, 0, place, 0, travel.path, f * 3);
      } else if (moved.has(j)) {
        const p = skeleton.parents[j]!;
        subVec(place, 0, pose.positions, j * 3, travel.path, f * 3);
        subVec(place, 0, place, 0, pivot, 0);
        rotateVecInverse(place, 0, turn, 0, place, 0);
        addVec(place, 0, place, 0, pivot, 0);
        subVec(place, 0, place, 0, pose.positions, p * 3);
        rotateVecInverse(place, 0, pose.rotations, p * 4, place, 0);
        mulInverseQuat(rotation, 0, turn, 0, pose.rotations, j * 4);
        mulInverseQuat(rotation, 0, pose.rotations, p * 4, rotation, 0);
      } else {
        for (let k = 0; k < 3; k++) place[k] = local.translations[j * 3 + k]!;
        for (let k = 0; k < 4; k++) rotation[k] = local.rotations[j * 4 + k]!;
      }
      out.translations.set(place, at);
      out.rotations.set(rotation, (f * jointCount + j) * 4);
    });
  }
  return out;
}

/**
 * Gaussian weights of standard deviation `frames`, cut at three of them and at the clip's length. Beyond an end the
 * values go on as their point reflection in it, so both ends and straight lines stay exactly as they are.
 */
function smoothed(values: Float64Array, frames: number): Float64Array {
  const last = values.length - 1;
  const reach = Math.min(last, Math.ceil(3 * frames));
  const weights = Float64Array.from({ length: reach + 1 }, (_, i) => Math.exp(-0.5 * (i / frames) ** 2));
  const at = (i: number): number => {
    if (i < 0) return 2 * values[0]! - values[-i]!;
    return i > last ? 2 * values[last]! - values[2 * last - i]! : values[i]!;
  };
  return values.map((value, f) => {
    let sum = weights[0]! * value;
    let total = weights[0]!;
    for (let i = 1; i <= reach; i++) {
      sum += weights[i]! * (at(f - i) + at(f + i));
      total += 2 * weights[i]!;
    }
    return sum / total;
  });
}
