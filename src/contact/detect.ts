import type { ContactInterval, FootContacts } from '../skeleton/contact-interval.ts';
import type { Side } from '../skeleton/side.ts';
import { contactsOf } from './edges.ts';
import { estimateFloor, type Floor, type StillRun } from './floor.ts';
import {
  checkedPoints,
  type FootPoints,
  legLengthFromFeet,
  type PointMotion,
  type PointSet,
  pointMotion,
  quantile,
  SAMPLES_MAX,
} from './motion.ts';
import { findSupport } from './support.ts';
import { CONTACT_DEFAULTS, type ContactOptions, type Track } from './track.ts';
import { estimateGroundVelocity } from './treadmill.ts';

export { CONTACT_DEFAULTS, type ContactOptions };

export interface ContactInput extends Record<Side, FootPoints> {
  /** Frames a second. */
  fps: number;
  /** Velocity of the ground, [x, y, z] m/s, where it moves; estimated when absent, zero where that is not clear. */
  groundVelocity?: readonly [number, number, number];
  /** Leg length, hip to floor, metres; measured from the feet when absent. */
  scale?: number;
}

/** What was measured on the way. */
export interface GroundReading {
  floor: Floor;
  /** Velocity of the ground, m/s, given or estimated. */
  velocity: [number, number, number];
  velocitySource: 'given' | 'estimated' | 'still';
  /** Leg length that speeds and heights were judged by, metres. */
  legLength: number;
}

export type DetectedContacts = FootContacts & { ground: GroundReading };

/**
 * Finds when heel and ball of each foot rest on the ground, from their trajectories: joints, markers or points of the
 * sole. Sees the whole clip; see `ContactDetector` for live use. Time grows with frames, memory too; nothing is kept.
 *
 * A point is in contact while it keeps still relative to the ground and is as low as it usually is when still. Speeds
 * and heights are measured against the clip's own statistics; the floor may slope or have steps. What stands still in
 * the air is not taken for a contact unless the other foot steps meanwhile, so that this one must bear the body.
 *
 * `confidence` is 1 for a point that lies perfectly still at its resting height, and falls to 0 at the thresholds.
 *
 * @throws CONTACT_FRAME_RATE, CONTACT_POINT_SIZE, CONTACT_POINT_EMPTY
 */
export function detectContacts(input: ContactInput, options: Partial<ContactOptions> = {}): DetectedContacts {
  const settings: ContactOptions = { ...CONTACT_DEFAULTS, ...options };
  const { fps } = input;
  const points = checkedPoints(input, fps);
  const legLength = input.scale ?? legLengthFromFeet(points);
  const motions = points.map((point) => pointMotion(point, fps, legLength));
  const estimated = input.groundVelocity ? null : estimateGroundVelocity(points, motions, fps, legLength);
  const velocity: [number, number, number] = [...(input.groundVelocity ?? estimated ?? ([0, 0, 0] as const))];
  const speeds = motions.map((motion) => speedsOverGround(motion, velocity));

  const noise = Math.max(...motions.map((motion) => motion.noise));
  const fast = fastSpeed(speeds);
  const still = stillSpeed(fast, noise, legLength, settings);
  const runs = stillRuns(points, speeds, still, fps, settings);
  const floor = estimateFloor(runs, settings.liftHeight * legLength, legLength);
  const heights = points.map((point, p) => heightsOverRest(point, floor, p));

  const track: Track = {
    points,
    speeds,
    heights,
    floor,
    fps,
    groundVelocity: velocity,
    legLength,
    still,
    fast,
    noise,
    settings,
  };
  const { cores, raised } = findSupport(track);
  const [leftHeel, leftBall, rightHeel, rightBall] = cores.map((own, p) =>
    contactsOf(track, p, own, raised[p] ?? null),
  );
  return {
    left: { heel: leftHeel!, ball: leftBall!, foot: unionOf(leftHeel!, leftBall!) },
    right: { heel: rightHeel!, ball: rightBall!, foot: unionOf(rightHeel!, rightBall!) },
    ground: {
      floor,
      velocity,
      velocitySource: input.groundVelocity ? 'given' : estimated ? 'estimated' : 'still',
      legLength,
    },
  };
}

function speedsOverGround({ velocity }: PointMotion, ground: readonly number[]): Float64Array {
  const [gx, gy, gz] = ground as [number, number, number];
  const speeds = new Float64Array(velocity.length / 3);
  for (let f = 0, at = 0; f < speeds.length; f++, at += 3) {
    const x = velocity[at]! - gx;
    const y = velocity[at + 1]! - gy;
    const z = velocity[at + 2]! - gz;
    speeds[f] = Math.sqrt(x * x + y * y + z * z);
  }
  return speeds;
}

function heightsOverRest(point: Float64Array, floor: Floor, p: number): Float64Array {
  const { slopeX, slopeZ } = floor;
  const rest = floor.rests[p]!;
  const heights = new Float64Array(point.length / 3);
  for (let f = 0, at = 0; f < heights.length; f++, at += 3) {
    heights[f] = point[at + 1]! - slopeX * point[at]! - slopeZ * point[at + 2]! - rest;
  }
  return heights;
}

/** 95th percentile of the speeds of all points. */
function fastSpeed(speeds: Float64Array[]): number {
  const frameCount = speeds[0]!.length;
  const step = Math.max(1, Math.floor(frameCount / SAMPLES_MAX));
  const samples = new Float64Array(4 * (Math.ceil(frameCount / step) + 1));
  let count = 0;
  for (const speed of speeds) for (let f = 0; f < frameCount; f += step) samples[count++] = speed[f]!;
  return quantile(samples, count, 0.95);
}

/** The speed below which a point keeps still: between two bounds, as fast as the clip is, and well over the noise. */
function stillSpeed(fast: number, noise: number, legLength: number, settings: ContactOptions): number {
  const least = settings.stillSpeedMin * legLength;
  const most = settings.stillSpeedMax * legLength;
  return Math.max(Math.min(most, Math.max(least, settings.stillShare * fast)), 3 * noise);
}

/** Stretches of all four points that are still for at least the shortest stance, or up to an end of the clip. */
function stillRuns(
  points: PointSet,
  speeds: Float64Array[],
  still: number,
  fps: number,
  settings: ContactOptions,
): StillRun[] {
  const runs: StillRun[] = [];
  const shortest = settings.stanceMin * fps;
  for (let p = 0; p < 4; p++) {
    const point = points[p]!;
    const speed = speeds[p]!;
    let x = 0;
    let y = 0;
    let z = 0;
    let first = -1;
    for (let f = 0; f <= speed.length; f++) {
      if (f < speed.length && speed[f]! < still) {
        if (first < 0) {
          x = 0;
          y = 0;
          z = 0;
          first = f;
        }
        x += point[f * 3]!;
        y += point[f * 3 + 1]!;
        z += point[f * 3 + 2]!;
      } else if (first >= 0) {
        const count = f - first;
        if (count >= shortest || count === speed.length) {
          runs.push({ point: p, first, last: f - 1, x: x / count, y: y / count, z: z / count });
        }
        first = -1;
      }
    }
  }
  return runs;
}

/** The time in which either is in contact; the confidence is that of the surer one over each part, weighted by time. */
export function unionOf(a: readonly ContactInterval[], b: readonly ContactInterval[]): ContactInterval[] {
  const all = [...a, ...b].sort((one, two) => one.start - two.start);
  const out: ContactInterval[] = [];
  for (const { start, end, confidence } of all) {
    const last = out[out.length - 1];
    if (last && start <= last.end) {
      last.end = Math.max(last.end, end);
      last.confidence = Math.max(last.confidence, confidence);
    } else out.push({ start, end, confidence });
  }
  return out;
}
