import { rotateVecInverse, rotateXyz } from '../math/quat.ts';
import { distanceVec, subVec } from '../math/vec.ts';
import { sidedRole } from '../pairing/roles.ts';
import { oncePerKey } from '../skeleton/once-per.ts';
import type { Side } from '../skeleton/side.ts';
import { isWithin, type WorldPose } from '../skeleton/skeleton.ts';
import { type Build, type LimbPoints, pointInPose, restVertices } from './build.ts';
import { arrayFor } from './joint-paths.ts';
import type { BodyPoint, FootPoints } from './measure.ts';
import { quantile } from './statistics.ts';
import { jointPath, jointTurns, pathOf, pointAt, type Track, turnVec } from './track.ts';

/** Where no joint, tip or vertex tells the length of a foot: ankle to ball, as a share of the leg (value from memory). */
const BALL_AHEAD = 0.17;
/**
 * Without a mesh the heel touches the floor behind the ankle by this share of the way from ankle to ball: heel to ankle is
 * about a quarter of a foot, ankle to ball about a half, and a heel is round (common practice, no source).
 */
const HEEL_BEHIND = 0.3;
/** A tip nearer to the ankle than this, seen from above and as a share of the leg, marks the heel or the sole and no toes. */
const TIP_AHEAD = 0.1;
/** Vertices this near to the lowest, as a share of the length of the foot, are the tread. */
const TREAD = 0.01;
/** The heel is sought in this rear share of the foot. */
const HEEL_SHARE = 0.35;

/** A pose in which a foot stands flat on y = 0, as far as the foot's own joints go. */
interface FlatPose {
  pose: WorldPose;
  from: 'rest pose' | 'motion';
}

/** Slower than this (leg lengths a second) a foot that is also low is taken to stand. */
const STANDING_SPEED = 0.25;
/** A shin that rises less than this share of its length from ankle to knee (75 degrees off the vertical) lies. */
const UPRIGHT_SHARE = 0.25;
/**
 * A rest pose whose sole is tilted further than this against the way the foot stands in the motion does not tell. Less is what
 * is uneven on a sole that stands.
 */
const TILT_MAX = Math.cos((8 * Math.PI) / 180);
/** It has to stand like the rest pose in this share of the frames in which it stands. */
const ALIKE_SHARE = 0.4;
/** … nor one whose sole is farther from the floor there than this share of leg length. */
const LEVEL_MAX = 0.04;

/**
 * Heel, ball and toe on the sole of one foot. Measured on the skin in a standing rest pose. Without a mesh from joints and
 * tips: in the rest pose if it stands, and if the foot stands in the motion as it does there; else in the frame of the motion
 * in which the foot stands as it mostly does. (The zero poses of clips often stand on tilted or hanging feet.)
 * Null where the leg has no joints to carry the points.
 */
export function measureFootPoints(track: Track, side: Side): FootPoints | null {
  const { figure } = track;
  const given = figure.feet?.[side];
  if (given) return given;
  const leg = track.limbs[`${side}Leg`];
  if (leg === null) return null;
  if (figure.roles[sidedRole(side, 'Foot')] === undefined) return shinEnd(track, leg.end);
  const resting: FlatPose = { pose: track.rest, from: 'rest pose' };
  if (track.standing) {
    const onMesh = onSkin(track.build, side);
    if (onMesh) return onMesh;
  }
  const frames = standingFrames(track, leg);
  const atRest = track.standing ? onJoints(track, side, leg.end, resting) : null;
  if (frames.length === 0) return atRest ?? onJoints(track, side, leg.end, resting);
  if (atRest) {
    const alike = frames.reduce((sum, f) => sum + (standsLike(track, atRest, f) ? 1 : 0), 0);
    if (alike >= ALIKE_SHARE * frames.length) return atRest;
  }
  const frame = usualFrame(track, side, leg.end, frames);
  return onJoints(track, side, leg.end, { pose: posedLike(track, frame), from: 'motion' });
}

/** The same, measured once a track. */
export const footPointsOf = oncePerKey(measureFootPoints);

/** Where a foot heads in each frame, unit vectors, frameCount × 3. They are shared: read them only. */
export const headingsOf = oncePerKey((track: Track, foot: FootPoints): Float64Array => {
  const headings = arrayFor(track.paths, track.frameCount * 3);
  turnVec(headings, jointTurns(track, foot.heel.joint), Float64Array.from(foot.heading));
  return headings;
});

/** The same for where it is up when it stands flat. */
export const upsOf = oncePerKey((track: Track, foot: FootPoints): Float64Array => {
  const ups = arrayFor(track.paths, track.frameCount * 3);
  turnVec(ups, jointTurns(track, foot.heel.joint), Float64Array.from(foot.up));
  return ups;
});

/** A leg without a foot joint stands on the end of its shin: what is around it turns and tilts with the shin. */
function shinEnd(track: Track, end: BodyPoint): FootPoints {
  return {
    heel: end,
    heelFront: null,
    ball: end,
    toe: null,
    ...directions(track.rest, end.joint, 0, 1),
    from: 'rest pose',
  };
}

/** Whether the sole found in the rest pose lies flat on the floor in a frame. */
function standsLike(track: Track, foot: FootPoints, f: number): boolean {
  const up = new Float64Array(3);
  rotateXyz(up, 0, jointTurns(track, foot.heel.joint), f * 4, ...foot.up);
  if (up[1]! < TILT_MAX) return false;
  const point = new Float64Array(3);
  return [foot.heel, foot.ball].every((p) => {
    pointAt(track, f, p, point, 0);
    return Math.abs(point[1]!) < LEVEL_MAX * track.legLength;
  });
}

/** Frames in which a foot is still and low, with its shin over it: the foot behind a lying shin rests on no sole. */
function standingFrames(track: Track, { middle, end, lower }: LimbPoints): number[] {
  const { frameCount, frameDuration, legLength } = track;
  if (frameCount < 3 || !(frameDuration > 0)) return [];
  const path = pathOf(track, end);
  const knees = pathOf(track, middle);
  const upright: number[] = [];
  for (let f = 0; f < frameCount; f++)
    if (knees[f * 3 + 1]! - path[f * 3 + 1]! > UPRIGHT_SHARE * lower) upright.push(f);
  const speeds = Float64Array.from(upright, (f) => {
    const a = Math.max(0, f - 1);
    const b = Math.min(frameCount - 1, f + 1);
    return distanceVec(path, a * 3, path, b * 3) / ((b - a) * frameDuration);
  });
  const heights = Float64Array.from(upright, (f) => path[f * 3 + 1]!);
  const calm = Math.min(quantile(speeds, 0.4), STANDING_SPEED * legLength);
  const low = quantile(heights, 0.4);
  return upright.filter((_, i) => speeds[i]! <= calm && heights[i]! <= low);
}

/** Of some frames the one in which the foot slopes as it mostly does: that of the median drop from ankle to toes. */
function usualFrame(track: Track, side: Side, end: BodyPoint, frames: readonly number[]): number {
  const { figure, frameCount } = track;
  const toes = figure.roles[sidedRole(side, 'Toes')];
  const tip = figure.skeleton.tips.find(({ joint }) => joint === end.joint);
  const far: BodyPoint =
    toes !== undefined ? { joint: toes, offset: [0, 0, 0] } : tip ? { joint: tip.joint, offset: [...tip.offset] } : end;
  const drops = new Float64Array(frameCount);
  const a = new Float64Array(3);
  const b = new Float64Array(3);
  for (const f of frames) {
    pointAt(track, f, end, a, 0);
    pointAt(track, f, far, b, 0);
    drops[f] = a[1]! - b[1]!;
  }
  const sorted = [...frames].sort((f, g) => drops[f]! - drops[g]!);
  return sorted[sorted.length >> 1]!;
}

/** The joints of frame `f` that play roles as a pose of all joints; the others stay at rest. */
function posedLike(track: Track, f: number): WorldPose {
  const pose = { positions: track.rest.positions.slice(), rotations: track.rest.rotations.slice() };
  for (const j of Object.values(track.figure.roles)) {
    pose.positions.set(jointPath(track, j).subarray(f * 3, f * 3 + 3), j * 3);
    pose.rotations.set(jointTurns(track, j).subarray(f * 4, f * 4 + 4), j * 4);
  }
  return pose;
}

/** Makes a world point one that moves with `joint`, as the pose has it. */
function fix(pose: WorldPose, joint: number, x: number, y: number, z: number): BodyPoint {
  const offset = Float64Array.of(x, y, z);
  subVec(offset, 0, offset, 0, pose.positions, joint * 3);
  rotateVecInverse(offset, 0, pose.rotations, joint * 4, offset, 0);
  return { joint, offset: [offset[0]!, offset[1]!, offset[2]!] };
}

/** @param tilt  by which the sole rises from heel to ball in the pose, radians */
function directions(
  pose: WorldPose,
  joint: number,
  hx: number,
  hz: number,
  tilt = 0,
): Pick<FootPoints, 'heading' | 'up'> {
  const local = (x: number, y: number, z: number): [number, number, number] => {
    const v = Float64Array.of(x, y, z);
    rotateVecInverse(v, 0, pose.rotations, joint * 4, v, 0);
    return [v[0]!, v[1]!, v[2]!];
  };
  const [s, c] = [Math.sin(tilt), Math.cos(tilt)];
  return { heading: local(c * hx, s, c * hz), up: local(-s * hx, c, -s * hz) };
}

/** Ankle, ball and toe tip in a flat pose, from joints and tips. */
function footLine(build: Build, side: Side, end: BodyPoint, pose: WorldPose) {
  const { skeleton, roles } = build.figure;
  const toes = roles[sidedRole(side, 'Toes')];
  const ankle = new Float64Array(3);
  pointInPose(pose, end, ankle, 0);
  const tipOf = (joint: number): Float64Array | null => {
    let best: Float64Array | null = null;
    let farthest = TIP_AHEAD * build.legLength;
    for (const tip of skeleton.tips) {
      if (tip.joint !== joint) continue;
      const world = new Float64Array(3);
      pointInPose(pose, { joint, offset: [...tip.offset] }, world, 0);
      const away = Math.hypot(world[0]! - ankle[0]!, world[2]! - ankle[2]!);
      if (away > farthest) {
        farthest = away;
        best = world;
      }
    }
    return best;
  };
  if (toes !== undefined) {
    const ball = pose.positions.slice(toes * 3, toes * 3 + 3);
    return { ankle, ball, ballJoint: toes, toe: tipOf(toes) };
  }
  const toe = roles[sidedRole(side, 'Foot')] === undefined ? null : tipOf(end.joint);
  const ball = toe ? ankle.map((a, k) => a + 0.7 * (toe[k]! - a)) : null;
  return { ankle, ball, ballJoint: end.joint, toe };
}

function headingOf(ankle: Float64Array, ahead: Float64Array | null): [number, number] {
  const x = ahead ? ahead[0]! - ankle[0]! : 0;
  const z = ahead ? ahead[2]! - ankle[2]! : 0;
  const length = Math.hypot(x, z);
  return length > 1e-9 ? [x / length, z / length] : [0, 1];
}

function onJoints(track: Track, side: Side, end: BodyPoint, flat: FlatPose): FootPoints {
  const { pose, from } = flat;
  const { ankle, ball, ballJoint, toe } = footLine(track, side, end, pose);
  const [hx, hz] = headingOf(ankle, ball ?? toe);
  // A leg that ends without a foot stands on its end.
  const isFoot = ball !== null || track.figure.roles[sidedRole(side, 'Foot')] !== undefined;
  const guess = isFoot ? BALL_AHEAD * track.legLength : 0;
  const front = ball ?? [ankle[0]! + hx * guess, 0, ankle[2]! + hz * guess];
  const behind = HEEL_BEHIND * Math.hypot(front[0]! - ankle[0]!, front[2]! - ankle[2]!);
  return {
    heel: fix(pose, end.joint, ankle[0]! - hx * behind, 0, ankle[2]! - hz * behind),
    heelFront: null,
    ball: fix(pose, ballJoint, front[0]!, 0, front[2]!),
    toe: toe ? fix(pose, ballJoint, toe[0]!, Math.max(0, Math.min(toe[1]!, front[1]!)), toe[2]!) : null,
    ...directions(pose, end.joint, hx, hz),
    from,
  };
}

/** Where the ball is along a foot, from behind, when no joint tells it (value from memory). */
const BALL_SHARE = 0.73;

/** A toes joint outside these shares of the foot is not at its ball: the foot rolls as one that has none. */
const BALL_SHARES = [0.45, 0.92] as const;

/**
 * The rear edge of the tread, the tread under the ball (under the toes joint if it lies there), and the front end of the
 * sole; the others in the middle of
 * the tread's width at that place.
 */
const onSkin = oncePerKey((build: Build, side: Side): FootPoints | null => {
  const { figure, rest, legLength, limbs } = build;
  const { end } = limbs[`${side}Leg`]!;
  const sole = soleVertices(build, end.joint, figure.roles[sidedRole(side, 'Toes')]);
  if (sole.length < 3 * 4) return null;
  const line = footLine(build, side, end, rest);
  const [hx, hz] = headingOf(line.ankle, line.ball ?? line.toe);
  const count = sole.length / 3;
  // A rest pose may stand on its toes, or let its feet hang: a foot is then measured along its own sole.
  const rise = tiltOf(sole, hx, hz);
  const tilt = Math.cos(rise) < TILT_MAX ? rise : 0;
  const [sine, cosine] = [Math.sin(tilt), Math.cos(tilt)];
  const alongs = new Float64Array(count);
  const asides = new Float64Array(count);
  const heights = new Float64Array(count);
  let lowest = Number.POSITIVE_INFINITY;
  let deepest = Number.POSITIVE_INFINITY;
  for (let v = 0; v < count; v++) {
    const along = sole[v * 3]! * hx + sole[v * 3 + 2]! * hz;
    const y = sole[v * 3 + 1]!;
    alongs[v] = cosine * along + sine * y;
    asides[v] = sole[v * 3]! * hz - sole[v * 3 + 2]! * hx;
    heights[v] = cosine * y - sine * along;
    lowest = Math.min(lowest, heights[v]!);
    deepest = Math.min(deepest, y);
  }
  // A foot whose mesh hangs in the air or under the floor does not tell where it stands.
  if (Math.abs(deepest) > 0.1 * legLength) return null;
  let back = Number.POSITIVE_INFINITY;
  let front = Number.NEGATIVE_INFINITY;
  for (let v = 0; v < count; v++) {
    if (heights[v]! > lowest + 0.05 * legLength) continue;
    back = Math.min(back, alongs[v]!);
    front = Math.max(front, alongs[v]!);
  }
  const length = front - back;
  if (length < 0.02 * legLength) return null;

  /** Lowest height, and the middle of the tread, of the vertices between two places along the foot. */
  const tread = (from: number, to: number) => {
    let y = Number.POSITIVE_INFINITY;
    for (let v = 0; v < count; v++) if (alongs[v]! >= from && alongs[v]! <= to) y = Math.min(y, heights[v]!);
    let [left, right] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
    let [rear, fore] = [to, from];
    for (let v = 0; v < count; v++) {
      if (alongs[v]! < from || alongs[v]! > to || heights[v]! > y + TREAD * length) continue;
      left = Math.min(left, asides[v]!);
      right = Math.max(right, asides[v]!);
      rear = Math.min(rear, alongs[v]!);
      fore = Math.max(fore, alongs[v]!);
    }
    return Number.isFinite(y) ? { y, aside: (left + right) / 2, rear, fore } : null;
  };
  const heel = tread(back, back + HEEL_SHARE * length);
  let ballAlong = back + BALL_SHARE * length;
  const toes = figure.roles[sidedRole(side, 'Toes')];
  let ballJoint = end.joint;
  let ballAside: number | null = null;
  if (toes !== undefined) {
    const level = rest.positions[toes * 3]! * hx + rest.positions[toes * 3 + 2]! * hz;
    const along = cosine * level + sine * rest.positions[toes * 3 + 1]!;
    const share = (along - back) / length;
    if (share > BALL_SHARES[0] && share < BALL_SHARES[1]) {
      ballAlong = along;
      ballJoint = toes;
      ballAside = rest.positions[toes * 3]! * hz - rest.positions[toes * 3 + 2]! * hx;
    }
  }
  // Low-poly soles have few vertices: the tread of the ball is sought in the front half.
  const ball = tread(ballAlong - 0.1 * length, ballAlong + 0.1 * length) ?? tread(back + 0.5 * length, front);
  const toe = tread(front - 0.1 * length, front);
  if (!heel || !ball || !toe) return null;
  const point = (joint: number, along: number, aside: number, height: number) => {
    const level = cosine * along - sine * height;
    return fix(rest, joint, level * hx + aside * hz, sine * along + cosine * height, level * hz - aside * hx);
  };
  return {
    heel: point(end.joint, heel.rear, heel.aside, heel.y),
    heelFront: point(end.joint, heel.fore, heel.aside, heel.y),
    ball: point(ballJoint, ballAlong, ballAside ?? ball.aside, ball.y),
    toe: point(line.ballJoint, front, toe.aside, toe.y),
    ...directions(rest, end.joint, hx, hz, rise),
    from: 'skin',
  };
});

/** By how much a sole rises ahead, radians: from what is lowest in its heel to what is lowest in its front half. */
function tiltOf(sole: readonly number[], hx: number, hz: number): number {
  const along = (v: number) => sole[v]! * hx + sole[v + 2]! * hz;
  let [back, front] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
  for (let v = 0; v < sole.length; v += 3) {
    back = Math.min(back, along(v));
    front = Math.max(front, along(v));
  }
  const lowestIn = (from: number, to: number) => {
    let best = -1;
    for (let v = 0; v < sole.length; v += 3) {
      const place = (along(v) - back) / (front - back);
      if (place >= from && place <= to && (best < 0 || sole[v + 1]! < sole[best + 1]!)) best = v;
    }
    return best;
  };
  const heel = lowestIn(0, HEEL_SHARE);
  const ball = lowestIn(0.5, 1);
  if (heel < 0 || ball < 0) return 0;
  return Math.atan2(sole[ball + 1]! - sole[heel + 1]!, along(ball) - along(heel));
}

/** Rest-pose world positions of the vertices that follow mostly the foot or what hangs below it. */
function soleVertices(build: Build, foot: number, toes: number | undefined): number[] {
  const { figure } = build;
  const { skeleton } = figure;
  const found: number[] = [];
  for (const skin of figure.skins ?? []) {
    const world = restVertices(build, skin);
    for (let v = 0; v < skin.vertexCount; v++) {
      let own = 0;
      let all = 0;
      for (let i = v * skin.influences; i < (v + 1) * skin.influences; i++) {
        const w = skin.weights[i]!;
        const j = skin.joints[i]!;
        all += w;
        if (isWithin(skeleton, foot, j) || (toes !== undefined && isWithin(skeleton, toes, j))) own += w;
      }
      if (all > 0 && own > 0.5 * all) found.push(world[v * 3]!, world[v * 3 + 1]!, world[v * 3 + 2]!);
    }
  }
  return found;
}
