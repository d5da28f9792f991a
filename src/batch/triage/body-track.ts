import { legLength } from '../../alignment/alignment.ts';
import type { Performer } from '../../convert/performer.ts';
import type { Role } from '../../pairing/roles.ts';
import { framePose, restLocalPose } from '../../skeleton/clip.ts';
import { createWorldPose } from '../../skeleton/skeleton.ts';

/** The joints that tell how a body moves. Those that a figure lacks stay NaN. */
export const TRACKED_ROLES = [
  'hips',
  'chest',
  'head',
  'leftLowerArm',
  'rightLowerArm',
  'leftHand',
  'rightHand',
  'leftLowerLeg',
  'rightLowerLeg',
  'leftFoot',
  'rightFoot',
] as const satisfies readonly Role[];

/** Where the joints of `TRACKED_ROLES` are, frame by frame: world space, metres. */
export interface BodyTrack {
  frameCount: number;
  fps: number;
  legLength: number;
  /** frames × roles × 3. */
  positions: Float64Array;
  /** Heading of the body about +Y, radians: across the thighs, or the shoulders. */
  heading: Float64Array;
}

/** Follows a performer's body through its clip. Allocates its result; touches nothing. */
export function trackBody({ actor, clip }: Performer): BodyTrack {
  const { skeleton, body, alignment } = actor;
  const { roles } = body;
  const count = TRACKED_ROLES.length;
  const positions = new Float64Array(clip.frameCount * count * 3).fill(Number.NaN);
  const heading = new Float64Array(clip.frameCount);
  const left = roles.leftUpperLeg ?? roles.leftUpperArm;
  const right = roles.rightUpperLeg ?? roles.rightUpperArm;
  const pose = createWorldPose(skeleton.jointCount);
  const local = restLocalPose(skeleton);
  for (let f = 0; f < clip.frameCount; f++) {
    framePose(skeleton, clip, f, local, pose);
    for (let r = 0; r < count; r++) {
      const joint = roles[TRACKED_ROLES[r]!];
      if (joint === undefined) continue;
      for (let k = 0; k < 3; k++) positions[(f * count + r) * 3 + k] = pose.positions[joint * 3 + k]!;
    }
    heading[f] = f > 0 ? heading[f - 1]! : 0;
    if (left === undefined || right === undefined) continue;
    const x = pose.positions[left * 3]! - pose.positions[right * 3]!;
    const z = pose.positions[left * 3 + 2]! - pose.positions[right * 3 + 2]!;
    // Left is +X of a body that faces +Z; one that lies on its side keeps the heading it had.
    if (Math.hypot(x, z) > 1e-6) heading[f] = Math.atan2(-z, x);
  }
  return {
    frameCount: clip.frameCount,
    fps: 1 / clip.frameDuration,
    legLength: legLength(alignment) || 1,
    positions,
    heading,
  };
}

/**
 * The pose of a frame without place and heading: joints relative to the hips, turned to face +Z, in leg lengths.
 * roles × 3; NaN where the body has no such joint.
 */
export function poseAt(track: BodyTrack, f: number, out: Float64Array, o: number): void {
  const count = TRACKED_ROLES.length;
  const base = f * count * 3;
  const cos = Math.cos(track.heading[f]!);
  const sin = Math.sin(track.heading[f]!);
  for (let r = 0; r < count; r++) {
    const x = track.positions[base + r * 3]! - track.positions[base]!;
    const y = track.positions[base + r * 3 + 1]! - track.positions[base + 1]!;
    const z = track.positions[base + r * 3 + 2]! - track.positions[base + 2]!;
    out[o + r * 3] = (cos * x - sin * z) / track.legLength;
    out[o + r * 3 + 1] = y / track.legLength;
    out[o + r * 3 + 2] = (sin * x + cos * z) / track.legLength;
  }
}

/** Mean distance of the joints of two poses, in leg lengths; joints that either lacks do not count. NaN when none is left. */
export function poseDistance(a: Float64Array, i: number, b: Float64Array, j: number): number {
  let sum = 0;
  let count = 0;
  for (let r = 1; r < TRACKED_ROLES.length; r++) {
    const x = a[i + r * 3]! - b[j + r * 3]!;
    const y = a[i + r * 3 + 1]! - b[j + r * 3 + 1]!;
    const z = a[i + r * 3 + 2]! - b[j + r * 3 + 2]!;
    const distance = Math.sqrt(x * x + y * y + z * z);
    if (!Number.isNaN(distance)) {
      sum += distance;
      count++;
    }
  }
  return sum / count;
}
