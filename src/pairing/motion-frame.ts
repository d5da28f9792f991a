import type { Note } from '../errors.ts';
import { angleBetweenQuats, rotateVec } from '../math/quat.ts';
import { type Clip, framePose, restLocalPose } from '../skeleton/clip.ts';
import { createWorldPose, type Skeleton } from '../skeleton/skeleton.ts';
import type { Body } from './body.ts';
import {
  centre,
  cross,
  directionName,
  dot,
  minus,
  nearestAxis,
  norm,
  type Point,
  plus,
  pointAt,
  quantile,
  squareTo,
  unit,
} from './point.ts';
import type { RoleMap } from './roles.ts';

/** How a motion stands in the space of its file: its up axis and floor may differ from those of the zero pose. */
export interface MotionFrame {
  /** Unit, file space. */
  up: Point;
  /** Height along `up` that the lowest point of the body comes down to again and again, file units. */
  floor: number;
  /** Unit, square to up: where the body looks in the first frame of real motion. */
  facingAtStart: Point;
  /** Frames before this one are a rest pose or a blend from it. */
  firstMotionFrame: number;
  /** Stretches in which a joint jumps as no body does: first and last frame, and the largest jump in file units. */
  jumps: { from: number; to: number; distance: number }[];
  evidence: { up: string; floor: string; facingAtStart: string; firstMotionFrame: string };
  notes: Note[];
}

/** Frames that are looked at for the up axis. */
const UP_SAMPLES = 200;
/** Opening frames in which a rest pose and a blend from it are looked for. */
const OPENING_FRAMES = 12;
/** The first frame is the rest pose when its joints are turned less than this against it on average. */
const REST_ANGLE = (5 * Math.PI) / 180;
/** An opening jump is this much larger than nearly all later moves. */
const OPENING_JUMP = 1.5;
/** A blend out of the rest pose goes on while a frame turns the joints this much more than one of the next three. */
const BLEND_RATIO = 2;
/** The last step of a blend is at least this share of its first. */
const BLEND_LAST = 0.1;
/** The lowest point is at the floor in at least one frame of ten; in the others toes are lifted or the feet roll. */
const FLOOR_QUANTILE = 0.1;
/** A capture fault moves a joint this share of the height in one frame, and this much more than it usually does. */
const FAULT_SHARE = 0.1;
const FAULT_FACTOR = 3;
/** Feet of performers swing at up to 6 m/s in fast walks and dances; runs and kicks are faster. Common practice, no source. */
const FOOT_SPEED_DOUBT = 6;
/** Rates from here up are the ones that get doubled by mistake. */
const DOUBLED_RATE = 90;

/** Measures how a motion stands. The input is not touched; throws nothing. */
export function readMotionFrame(skeleton: Skeleton, clip: Clip, body: Body): MotionFrame {
  const notes: Note[] = [];
  const track = trackBody(skeleton, clip, body);
  const { up, evidence: upText } = findMotionUp(track, clip, body, notes);
  const moves = frameMoves(track);
  const opening = findFirstMotionFrame(skeleton, clip, moves, body);
  const first = opening.frame;
  const lows = lowestPoints(track, first, up);
  const floor = lows.length > 0 ? quantile(lows, FLOOR_QUANTILE) : body.frame.floor;
  const facing = facingAt(track, Math.min(first, clip.frameCount - 1), up, body);
  const jumps = findJumps(moves, first, body.frame.height);
  for (const jump of jumps.slice(0, 8)) {
    notes.push({
      code: 'PAIR_CAPTURE_JUMP',
      severity: 'warning',
      message: `A joint jumps ${(jump.distance * body.frame.metresPerUnit * 100).toFixed(0)} cm in one frame between frames ${jump.from} and ${jump.to}: a fault of the capture.`,
      place: { frame: jump.from },
    });
  }
  doubtRate(track, clip, body, first, jumps, notes);
  const span = clip.frameCount > 0 ? quantile(lows, 0.9) - quantile(lows, 0.1) : 0;
  return {
    up,
    floor,
    facingAtStart: facing,
    firstMotionFrame: first,
    jumps,
    evidence: {
      up: upText,
      floor: `the lowest point of the body comes down to ${floor.toPrecision(3)} in one frame of ten and ranges over ${span.toPrecision(2)} in four of five`,
      facingAtStart: `hips and shoulders at frame ${first} face ${directionName(facing)}`,
      firstMotionFrame: opening.evidence,
    },
    notes,
  };
}

/** World positions of the joints with a role and of the tips on them, frame by frame. */
interface BodyTrack {
  roles: RoleMap;
  frameCount: number;
  /** Points a frame: joints with a role first, then tips. */
  pointCount: number;
  positions: Float32Array;
  /** Point index a joint. */
  indexOf: Map<number, number>;
}

function trackBody(skeleton: Skeleton, clip: Clip, body: Body): BodyTrack {
  const joints = [...new Set(Object.values(body.roles))];
  const tips = skeleton.tips.filter((tip) => joints.includes(tip.joint));
  const pointCount = joints.length + tips.length;
  const positions = new Float32Array(clip.frameCount * pointCount * 3);
  const pose = createWorldPose(skeleton.jointCount);
  const scratch = restLocalPose(skeleton);
  const turned = new Float64Array(3);
  const offsets = tips.map((tip) => Float64Array.from(tip.offset));
  for (let f = 0; f < clip.frameCount; f++) {
    framePose(skeleton, clip, f, scratch, pose);
    let at = f * pointCount * 3;
    for (const j of joints) {
      for (let k = 0; k < 3; k++) positions[at + k] = pose.positions[j * 3 + k]!;
      at += 3;
    }
    for (let i = 0; i < tips.length; i++) {
      const j = tips[i]!.joint;
      rotateVec(turned, 0, pose.rotations, j * 4, offsets[i] as Float64Array, 0);
      for (let k = 0; k < 3; k++) positions[at + k] = pose.positions[j * 3 + k]! + turned[k]!;
      at += 3;
    }
  }
  const indexOf = new Map(joints.map((j, i) => [j, i]));
  return { roles: body.roles, frameCount: clip.frameCount, pointCount, positions, indexOf };
}

function at(track: BodyTrack, f: number, joint: number): Point {
  return pointAt(track.positions, f * track.pointCount + track.indexOf.get(joint)!);
}

/** Mean place of those of the joints that are there; null for none. */
function meanAt(track: BodyTrack, f: number, joints: readonly (number | undefined)[]): Point | null {
  const found = joints.filter((j): j is number => j !== undefined);
  return found.length > 0 ? centre(found.map((j) => at(track, f, j))) : null;
}

/** People stand most of the time: the mean direction from the feet to the head, set to the axis that is near. */
function findMotionUp(track: BodyTrack, clip: Clip, body: Body, notes: Note[]): { up: Point; evidence: string } {
  const { roles } = track;
  const feet = [roles.leftFoot ?? roles.leftLowerLeg, roles.rightFoot ?? roles.rightLowerLeg];
  let sum: Point = [0, 0, 0];
  let count = 0;
  const step = Math.max(1, Math.floor(clip.frameCount / UP_SAMPLES));
  for (let f = 0; f < clip.frameCount; f += step) {
    const low = meanAt(track, f, feet);
    const high = meanAt(track, f, [roles.head ?? roles.neck ?? roles.hips]);
    if (!low || !high) continue;
    sum = plus(sum, unit(minus(high, low)));
    count++;
  }
  const steadiness = count > 0 ? norm(sum) / count : 0;
  const mean = unit(sum);
  const { axis, name, angle } = nearestAxis(mean);
  const degrees = ((angle * 180) / Math.PI).toFixed(0);
  const rest: Point = [...body.frame.up];
  if (count === 0) return { up: rest, evidence: 'no frame shows feet and head; the zero pose decides' };
  const alike = dot(mean, rest) > Math.cos((35 * Math.PI) / 180);
  if (alike) {
    return { up: rest, evidence: `feet to head point ${degrees} degrees off ${name} on average, as in the zero pose` };
  }
  if (steadiness < 0.5 || angle > (40 * Math.PI) / 180) {
    notes.push({
      code: 'PAIR_MOTION_UP_UNSURE',
      severity: 'warning',
      message: `The motion shows no steady up axis (feet to head average ${degrees} degrees off ${name}); the zero pose's is kept. Say it with --up.`,
    });
    return { up: rest, evidence: 'no steady direction from feet to head; the zero pose decides' };
  }
  if (dot(axis, rest) < 0.9) {
    notes.push({
      code: 'PAIR_MOTION_UP',
      severity: 'info',
      message: `The motion stands along ${name}, the zero pose along ${directionName(rest)}.`,
    });
  }
  return { up: axis, evidence: `feet to head point ${degrees} degrees off ${name} on average` };
}

/** Largest way that any joint with a role goes from each frame to the next. */
function frameMoves({ positions, pointCount, frameCount, indexOf }: BodyTrack): Float64Array {
  const moves = new Float64Array(Math.max(0, frameCount - 1));
  const stride = pointCount * 3;
  for (let f = 0; f + 1 < frameCount; f++) {
    let largest = 0;
    for (let n = 0, i = f * stride; n < indexOf.size; n++, i += 3) {
      const x = positions[i + stride]! - positions[i]!;
      const y = positions[i + stride + 1]! - positions[i + 1]!;
      const z = positions[i + stride + 2]! - positions[i + 2]!;
      largest = Math.max(largest, x * x + y * y + z * z);
    }
    moves[f] = Math.sqrt(largest);
  }
  return moves;
}

/** A rest pose at the start shows by the jump out of it; a blend from it goes on while each move is far larger than those to come. */
function findFirstMotionFrame(
  skeleton: Skeleton,
  clip: Clip,
  moves: Float64Array,
  body: Body,
): { frame: number; evidence: string } {
  const none = (why: string): { frame: number; evidence: string } => ({ frame: 0, evidence: why });
  if (clip.frameCount < 3) return none('too few frames to tell');
  const openingCount = Math.min(OPENING_FRAMES, Math.floor(moves.length / 2));
  const later = moves.subarray(openingCount);
  const usual = Math.max(quantile(later, 0.99), 0.002 * body.frame.height);
  if (openingCount === 0 || moves[0]! <= OPENING_JUMP * usual) return none('no jump at the start');
  let turned = 0;
  for (let j = 0; j < skeleton.jointCount; j++) {
    if (skeleton.parents[j]! >= 0) turned += angleBetweenQuats(clip.rotations, j * 4, skeleton.restRotations, j * 4);
  }
  if (turned / Math.max(1, skeleton.jointCount - 1) > REST_ANGLE)
    return none('a jump at the start, but not from a rest pose');
  const turns = Array.from({ length: openingCount + 4 }, (_, f) => meanTurn(clip, f));
  let frame = 1;
  while (frame < openingCount && (isBlending(turns, frame) || isBlending(moves, frame))) frame++;
  const cm = (x: number): string => `${(x * body.frame.metresPerUnit * 100).toFixed(0)} cm`;
  const blend = frame > 1 ? `, and frames 1 to ${frame - 1} are a blend from it` : '';
  return {
    frame,
    evidence: `frame 0 is the zero pose, with a jump of ${cm(moves[0]!)} behind it where later frames move at most ${cm(usual)} (99 of 100)${blend}`,
  };
}

/** How far the joints turn from one frame to the next on average, radians; 0 at the end of the clip. */
function meanTurn({ rotations, jointCount, frameCount }: Clip, f: number): number {
  if (f + 1 >= frameCount) return 0;
  let sum = 0;
  for (let at = f * jointCount * 4; at < (f + 1) * jointCount * 4; at += 4) {
    sum += angleBetweenQuats(rotations, at, rotations, at + jointCount * 4);
  }
  return sum / jointCount;
}

/** A blend slows down steadily and by far, but its last step is not lost in the motion. */
function isBlending(steps: readonly number[] | Float64Array, f: number): boolean {
  const next = Math.min(...steps.slice(f + 1, f + 4));
  return steps[f]! > steps[f + 1]! && steps[f]! > BLEND_RATIO * next && steps[f]! > BLEND_LAST * steps[1]!;
}

/** Height of the lowest point along `up`, a frame from `first` on. */
function lowestPoints({ positions, pointCount, frameCount }: BodyTrack, first: number, up: Point): Float64Array {
  const lows = new Float64Array(Math.max(0, frameCount - first));
  const [x, y, z] = up;
  for (let f = 0, i = first * pointCount * 3; f < lows.length; f++) {
    let low = Number.POSITIVE_INFINITY;
    for (let n = 0; n < pointCount; n++, i += 3) {
      const height = positions[i]! * x + positions[i + 1]! * y + positions[i + 2]! * z;
      if (height < low) low = height;
    }
    lows[f] = low;
  }
  return lows;
}

/** Left is from the right hip and shoulder joints to the left ones. */
function facingAt(track: BodyTrack, f: number, up: Point, body: Body): Point {
  const { roles } = track;
  if (track.frameCount === 0) return [...body.frame.facing];
  let left: Point = [0, 0, 0];
  const pairs = [
    [roles.leftUpperLeg, roles.rightUpperLeg],
    [roles.leftUpperArm, roles.rightUpperArm],
  ];
  for (const [a, b] of pairs) {
    if (a !== undefined && b !== undefined)
      left = plus(left, unit(squareTo(minus(at(track, f, a), at(track, f, b)), up)));
  }
  const facing = unit(cross(left, up));
  return norm(facing) > 0 ? facing : [...body.frame.facing];
}

function findJumps(moves: Float64Array, first: number, height: number): MotionFrame['jumps'] {
  const usual = quantile(moves.subarray(first), 0.95);
  const bar = Math.max(FAULT_SHARE * height, FAULT_FACTOR * usual);
  const jumps: MotionFrame['jumps'] = [];
  for (let f = first; f < moves.length; f++) {
    if (moves[f]! <= bar) continue;
    const last = jumps[jumps.length - 1];
    if (last && f - last.to <= 3) {
      last.to = f + 1;
      last.distance = Math.max(last.distance, moves[f]!);
    } else jumps.push({ from: f, to: f + 1, distance: moves[f]! });
  }
  return jumps;
}

/** Feet faster than people move them make the stated rate doubtful; the header still counts. */
function doubtRate(
  track: BodyTrack,
  clip: Clip,
  body: Body,
  first: number,
  jumps: MotionFrame['jumps'],
  notes: Note[],
): void {
  const { roles, positions, pointCount, indexOf, frameCount } = track;
  const isFault = new Uint8Array(frameCount);
  for (const { from, to } of jumps) isFault.fill(1, Math.max(0, from - 2), to + 3);
  const feet = [roles.leftFoot, roles.rightFoot].flatMap((foot) => (foot === undefined ? [] : [indexOf.get(foot)!]));
  const speeds = new Float64Array(feet.length * frameCount);
  const perSecond = body.frame.metresPerUnit / clip.frameDuration;
  let count = 0;
  for (const foot of feet) {
    for (let f = first; f + 1 < frameCount; f++) {
      if (isFault[f]) continue;
      const a = (f * pointCount + foot) * 3;
      const b = a + pointCount * 3;
      const x = positions[b]! - positions[a]!;
      const y = positions[b + 1]! - positions[a + 1]!;
      const z = positions[b + 2]! - positions[a + 2]!;
      speeds[count++] = Math.sqrt(x * x + y * y + z * z) * perSecond;
    }
  }
  const fast = quantile(speeds.subarray(0, count), 0.99);
  const rate = 1 / clip.frameDuration;
  if (!(fast > FOOT_SPEED_DOUBT) || rate < DOUBLED_RATE) return;
  notes.push({
    code: 'PAIR_RATE_DOUBT',
    severity: 'warning',
    message: `The feet move at ${fast.toFixed(1)} m/s at the stated ${rate.toFixed(0)} frames a second, which only runs, leaps and kicks do: it may have been captured at ${(rate / 2).toFixed(0)}. The stated rate is kept.`,
  });
}
