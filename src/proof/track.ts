import { rotateVec, rotateVecInverse } from '../math/quat.ts';
import { oncePer, oncePerKey } from '../skeleton/once-per.ts';
import type { Arena } from './arena.ts';
import { type Build, createBuild } from './build.ts';
import { arrayFor, carryPoint, createJointPaths, type JointPaths, positionsOf, rotationsOf } from './joint-paths.ts';
import type { BodyPoint, ProofFigure } from './measure.ts';

/** A figure in motion, moment by moment of the target's time line. */
export interface Track extends Build {
  /** With its clip. */
  figure: ProofFigure;
  build: Build;
  frameCount: number;
  frameDuration: number;
  paths: JointPaths;
}

/**
 * Follows a figure over `frameCount` moments, `firstFrame` and `step` in frames of its own clip. A moment between two
 * frames is interpolated (positions straight, rotations spherically).
 * @param arena  where its paths are laid out: the track is good until that is used again
 */
export function buildTrack(
  figure: ProofFigure,
  frameCount: number,
  firstFrame: number,
  step: number,
  build: Build = createBuild(figure),
  arena: Arena | null = null,
): Track {
  const { skeleton, clip } = figure;
  const { rest, standing, legLength, limbs } = build;
  // Spelled out: the hidden class of a spread dies with the last of its objects, and all code that was compiled for it.
  return {
    figure,
    build,
    rest,
    standing,
    legLength,
    limbs,
    frameCount,
    frameDuration: clip.frameDuration * step,
    paths: createJointPaths(skeleton, clip, frameCount, firstFrame, step, arena),
  };
}

/** out = world position of a point in frame `f`. */
export function pointAt(track: Track, f: number, point: BodyPoint, out: Float64Array, o: number): void {
  const path = pathOf(track, point);
  for (let k = 0; k < 3; k++) out[o + k] = path[f * 3 + k]!;
}

/** World path of a joint, frameCount × 3. It is shared: read it only. */
export function jointPath(track: Track, joint: number): Float64Array {
  return positionsOf(track.paths, joint);
}

/** World rotations of a joint, xyzw, frameCount × 4. They are shared: read them only. */
export function jointTurns(track: Track, joint: number): Float64Array {
  return rotationsOf(track.paths, joint);
}

/** World path of a point, frameCount × 3. It is shared: read it only. */
export function pathOf(track: Track, point: BodyPoint): Float64Array {
  const { offset, joint } = point;
  const isJoint = offset[0] === 0 && offset[1] === 0 && offset[2] === 0;
  return isJoint ? jointPath(track, joint) : offsetPath(track, point);
}

const offsetPath = oncePerKey((track: Track, { joint, offset }: BodyPoint): Float64Array => {
  const path = arrayFor(track.paths, track.frameCount * 3);
  carryPoint(path, jointTurns(track, joint), jointPath(track, joint), Float64Array.from(offset), 0);
  return path;
});

/**
 * Pelvis axes in each frame, frameCount × 9: x to the left (right hip to left hip), y up, z ahead. Up is what stood upright in
 * the rest pose of the hips joint; where the rest pose does not stand, the way up the trunk. NaN where the axes cannot be told
 * apart; null where a joint is missing.
 */
export const pelvisAxesOf = oncePer((track: Track): Float64Array | null => {
  const { leftUpperLeg: left, rightUpperLeg: right } = track.figure.roles;
  if (left === undefined || right === undefined) return null;
  const up = upwards(track, left, right);
  if (up === null) return null;
  const axes = arrayFor(track.paths, track.frameCount * 9);
  axesFrom(axes, jointPath(track, left), jointPath(track, right), up, 1e-6 * track.legLength);
  return axes;
});

/** The way up the trunk in each frame, of any length. */
function upwards(track: Track, left: number, right: number): Float64Array | null {
  const { roles } = track.figure;
  const up = arrayFor(track.paths, track.frameCount * 3);
  if (track.standing && roles.hips !== undefined) {
    const inHips = Float64Array.of(0, 1, 0);
    rotateVecInverse(inHips, 0, track.rest.rotations, roles.hips * 4, inHips, 0);
    turnVec(up, jointTurns(track, roles.hips), inHips);
    return up;
  }
  const top = roles.chest ?? roles.upperChest ?? roles.spine ?? roles.neck ?? roles.head;
  if (top === undefined) return null;
  fromMiddle(up, jointPath(track, top), jointPath(track, left), jointPath(track, right));
  return up;
}

/** out = one vector, turned by each of the rotations. */
export function turnVec(out: Float64Array, rotations: Float64Array, vec: Float64Array): void {
  for (let q = 0, p = 0; p < out.length; q += 4, p += 3) rotateVec(out, p, rotations, q, vec, 0);
}

/** out = a path as seen from the middle between two others. */
function fromMiddle(out: Float64Array, path: Float64Array, left: Float64Array, right: Float64Array): void {
  for (let i = 0; i < out.length; i++) out[i] = path[i]! - (left[i]! + right[i]!) / 2;
}

function axesFrom(out: Float64Array, left: Float64Array, right: Float64Array, up: Float64Array, tiny: number): void {
  for (let i = 0, o = 0; i < up.length; i += 3, o += 9) {
    let xx = left[i]! - right[i]!;
    let xy = left[i + 1]! - right[i + 1]!;
    let xz = left[i + 2]! - right[i + 2]!;
    const ux = up[i]!;
    const uy = up[i + 1]!;
    const uz = up[i + 2]!;
    const xl = Math.sqrt(xx * xx + xy * xy + xz * xz);
    xx /= xl;
    xy /= xl;
    xz /= xl;
    let zx = xy * uz - xz * uy;
    let zy = xz * ux - xx * uz;
    let zz = xx * uy - xy * ux;
    const zl = Math.sqrt(zx * zx + zy * zy + zz * zz);
    if (!(xl >= tiny && zl >= tiny)) {
      out.fill(Number.NaN, o, o + 9);
      continue;
    }
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
  }
}
