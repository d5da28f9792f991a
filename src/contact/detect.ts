import type { ContactInterval, FootContacts } from '../skeleton/contact-interval.ts';
import type { Side } from '../skeleton/side.ts';
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
import { estimateGroundVelocity } from './treadmill.ts';

export interface ContactInput extends Record<Side, FootPoints> {
  /** Frames a second. */
  fps: number;
  /** Velocity of the ground, [x, y, z] m/s, where it moves; estimated when absent, zero where that is not clear. */
  groundVelocity?: readonly [number, number, number];
  /** Leg length, hip to floor, metres; measured from the feet when absent. */
  scale?: number;
}

/**
 * Speeds are in leg lengths a second and heights in leg lengths, so that a clip gives the same contacts at any size.
 * The shares are of the peak speed of the swing phase beside an edge: the edge of a slow shuffle is as sharp as that of
 * a run.
 */
export interface ContactOptions {
  /** A point that is slower keeps still, whatever the motion; a faster one may, where the clip is fast. */
  stillSpeedMin: number;
  /** A point that is faster never keeps still. */
  stillSpeedMax: number;
  /** Between the two: this share of the clip's fast speeds (95th percentile). */
  stillShare: number;
  /** A contact begins when the speed falls below this share of the peak before, and at most `strikeSpeedMax`. */
  strikeShare: number;
  strikeSpeedMax: number;
  /** A contact ends when the speed rises above this share of the peak after, and at most `releaseSpeedMax`. */
  releaseShare: number;
  releaseSpeedMax: number;
  /** A point this much higher than where it rests is off the ground. */
  liftHeight: number;
  /** Seconds. A contact that is shorter, within the clip, is dropped. */
  stanceMin: number;
  /** Seconds. A gap between two contacts that is shorter is closed. */
  swingMin: number;
}

export const CONTACT_DEFAULTS: Readonly<ContactOptions> = {
  stillSpeedMin: 0.1,
  stillSpeedMax: 0.5,
  stillShare: 0.12,
  strikeShare: 0.17,
  strikeSpeedMax: 0.8,
  releaseShare: 0.25,
  releaseSpeedMax: 1.2,
  liftHeight: 0.02,
  stanceMin: 0.06,
  swingMin: 0.08,
};

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
 * A floor is captured with errors, and a foot sinks in: a point up to this much higher than where it rests (leg lengths)
 * is in contact if nothing speaks against it.
 */
const NEAR_HEIGHT = 0.045;
/** A gap in which a point moves no further than this (leg lengths) is no swing phase. */
const STAY_RADIUS = 0.015;
/** The peak of a swing phase lasts; a spike of one frame, over the span of a speed, does not. */
const PEAK_DURATION = 0.07; // s
/** A point on a step stays there at least this long (s) to count as standing. */
const STEP_STANCE_MIN = 0.15;
/** For so much of that time, at least, the other foot has to be on its way: then this one carries the body. */
const STEP_SUPPORT_SHARE = 0.3;
/** The next step is no higher than this (leg lengths), and taken within this time (s). */
const STEP_HEIGHT_MAX = 0.6;
const STEP_TIME_MAX = 1.5;
/** A point may be so many lift heights below its usual rest: a heel sinks in at heel strike. */
const SINK_MAX = 2.5;

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
  const cores = supportedCores(track);
  const [leftHeel, leftBall, rightHeel, rightBall] = cores.map((own, p) => contactsOf(track, p, own));
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

/** All that is measured on the four points, by frame. */
interface Track {
  points: PointSet;
  /** m/s over the ground. */
  speeds: Float64Array[];
  /** Metres above where the point rests. */
  heights: Float64Array[];
  floor: Floor;
  fps: number;
  /** m/s. */
  groundVelocity: readonly [number, number, number];
  legLength: number;
  /** Speed below which a point keeps still in this clip, m/s. */
  still: number;
  /** 95th percentile of all speeds, m/s. */
  fast: number;
  /** Speed that noise alone makes, m/s. */
  noise: number;
  settings: ContactOptions;
}

/** A stretch of frames, both ends included, in which a point keeps still at one height over its rest. */
interface Core {
  first: number;
  last: number;
  /** Mean height, metres above where the point rests. */
  level: number;
  /** The mean height of its highest part. */
  top: number;
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
    let [x, y, z, first] = [0, 0, 0, -1];
    for (let f = 0; f <= speed.length; f++) {
      if (f < speed.length && speed[f]! < still) {
        if (first < 0) [x, y, z, first] = [0, 0, 0, f];
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

/** Cores of all four points: those on the floor, near it, and on steps that have to bear the body. */
function supportedCores(track: Track): Core[][] {
  const { tolerance } = track.floor;
  const near = NEAR_HEIGHT * track.legLength;
  const plateaus = track.heights.map((_, p) => stillPlateaus(track, p));
  const accepted: Core[][] = plateaus.map((own) =>
    own.filter((core) => core.level < tolerance && core.level > -SINK_MAX * tolerance),
  );
  const onFloor = [0, 2].map((p) => contactMask(track, [...accepted[p]!, ...accepted[p + 1]!]));
  for (let p = 0; p < 4; p++) {
    const partner = p ^ 1;
    const other = onFloor[p < 2 ? 1 : 0]!;
    const low = accepted[p]!.slice();
    const added = plateaus[p]!.filter((core) => {
      if (core.level < tolerance || core.level > near) return false;
      // A heel that leaves its rest slowly is on its way up. A ball rises a little while the foot rolls over the toes.
      if (low.some((its) => its.last + 1 === core.first || core.last + 1 === its.first)) return p % 2 === 1;
      if (overlaps(accepted[partner]!, core).some((its) => its.level < core.level - 1.5 * tolerance)) return false;
      if (overlaps(plateaus[partner]!, core).some((its) => Math.abs(its.level - core.level) < tolerance)) return true;
      return shareIn(other, core) < 1 - STEP_SUPPORT_SHARE;
    });
    accepted[p]!.push(...added);
  }
  addSteps(track, plateaus, accepted);
  addBearers(track, accepted);
  return accepted.map((own) => joined(own.sort((a, b) => a.first - b.first)));
}

/**
 * Where nothing is in contact for longer than the shortest stance, a point that is low and at most twice as fast as a
 * still one bears the body: nobody who is in the air has such a foot. It is a foot that slips, or a capture that shakes.
 */
function addBearers(track: Track, accepted: Core[][]): void {
  const { legLength, fps, settings, still, floor } = track;
  const supported = contactMask(track, accepted.flat());
  const shortest = settings.stanceMin * fps;
  const near = NEAR_HEIGHT * legLength;
  const frameCount = supported.length;
  for (let first = 0; first < frameCount; first++) {
    if (supported[first]) continue;
    let end = first;
    while (end < frameCount && !supported[end]) end++;
    if (end - first >= shortest) {
      for (let p = 0; p < 4; p++) {
        const speed = track.speeds[p]!;
        const height = track.heights[p]!;
        for (let f = first; f < end; f++) {
          let sum = 0;
          const from = f;
          for (; f < end && speed[f]! < 2 * still; f++) {
            if (height[f]! > near || height[f]! < -SINK_MAX * floor.tolerance) break;
            sum += height[f]!;
          }
          const level = sum / (f - from);
          if (f - from >= shortest) accepted[p]!.push({ first: from, last: f - 1, level, top: level });
        }
      }
    }
    first = end;
  }
}

/** Cores that follow each other without a frame between are one. */
function joined(cores: readonly Core[]): Core[] {
  const out: Core[] = [];
  for (const core of cores) {
    const last = out[out.length - 1];
    if (last && last.last + 1 >= core.first) {
      const own = last.last - last.first + 1;
      const its = core.last - core.first + 1;
      last.level = (last.level * own + core.level * its) / (own + its);
      last.top = Math.max(last.top, core.top);
      last.last = core.last;
    } else out.push({ ...core });
  }
  return out;
}

function overlaps(cores: readonly Core[], span: Core): Core[] {
  return cores.filter((core) => core.first <= span.last && core.last >= span.first);
}

/** 1 in the frames of the cores, else 0. */
function contactMask(track: Track, cores: readonly Core[]): Uint8Array {
  const mask = new Uint8Array(track.speeds[0]!.length);
  for (const core of cores) mask.fill(1, core.first, core.last + 1);
  return mask;
}

function shareIn(mask: Uint8Array, core: Core): number {
  let count = 0;
  for (let f = core.first; f <= core.last; f++) count += mask[f]!;
  return count / (core.last - core.first + 1);
}

/** Adds what stands on a step: still off the floor, while the other foot is on its way, and within reach of a stance. */
function addSteps(track: Track, plateaus: Core[][], accepted: Core[][]): void {
  const { floor, fps, legLength } = track;
  const near = NEAR_HEIGHT * legLength;
  const isStep = (core: Core) =>
    (core.level > near || core.level < -SINK_MAX * floor.tolerance) &&
    core.last - core.first + 1 >= STEP_STANCE_MIN * fps;
  // A step shows at the ball: the heel may hang over its edge.
  let open = [1, 3].flatMap((p) =>
    plateaus[p]!.filter((core) => isStep(core) && bearsBody(track, core, p === 1 ? 2 : 0)).map((core) => ({ core, p })),
  );
  const standing = accepted.flat();
  const steps: Core[][] = [[], [], [], []];
  // Step by step away from the floor, in time and height, until nothing is added.
  for (let grew = open.length > 0; grew; ) {
    grew = false;
    const unreached: typeof open = [];
    for (const { core, p } of open) {
      const reached = standing.some(
        (stance) =>
          Math.abs(stance.level - core.level) < STEP_HEIGHT_MAX * legLength &&
          stance.first <= core.last + STEP_TIME_MAX * fps &&
          stance.last >= core.first - STEP_TIME_MAX * fps,
      );
      if (!reached) {
        unreached.push({ core, p });
        continue;
      }
      standing.push(core);
      steps[p]!.push(core);
      grew = true;
    }
    open = unreached;
  }
  for (const heel of [0, 2]) {
    const flat = (core: Core) =>
      overlaps(steps[heel + 1]!, core).some((step) => Math.abs(step.level - core.level) < 2 * floor.tolerance);
    steps[heel]!.push(...plateaus[heel]!.filter((core) => isStep(core) && flat(core)));
  }
  for (let p = 0; p < 4; p++) accepted[p]!.push(...steps[p]!);
}

/** Stretches in which a point is still and keeps its height to within the tolerance. */
function stillPlateaus(track: Track, p: number): Core[] {
  const speed = track.speeds[p]!;
  const height = track.heights[p]!;
  const { still, floor } = track;
  const cores: Core[] = [];
  let first = -1;
  let sum = 0;
  for (let f = 0; f <= speed.length; f++) {
    const isStill = f < speed.length && speed[f]! < still;
    const leaves = first >= 0 && (!isStill || Math.abs(height[f]! - sum / (f - first)) > floor.tolerance);
    if (leaves) {
      const level = sum / (f - first);
      cores.push({ first, last: f - 1, level, top: level });
      first = -1;
    }
    if (isStill && first < 0) [first, sum] = [f, 0];
    if (isStill) sum += height[f]!;
  }
  return cores;
}

/** Whether the other foot, whose heel is point `other`, is on its way for long enough while this one is still. */
function bearsBody(track: Track, core: Core, other: number): boolean {
  const heel = track.speeds[other]!;
  const ball = track.speeds[other + 1]!;
  const moving = 2 * track.still;
  let count = 0;
  for (let f = core.first; f <= core.last; f++) if (heel[f]! > moving && ball[f]! > moving) count++;
  const duration = core.last - core.first + 1;
  return count >= STEP_STANCE_MIN * track.fps && count >= STEP_SUPPORT_SHARE * duration;
}

/** Contacts of one point: its cores with exact edges, closed gaps and without what is too short. */
function contactsOf(track: Track, p: number, cores: Core[]): ContactInterval[] {
  const { fps, settings } = track;
  const speed = track.speeds[p]!;
  const height = track.heights[p]!;
  const end = speed.length - 1;
  const edges: { first: number; last: number; core: Core }[] = [];
  const typicalPeak = typicalSwingPeak(track, p, cores);
  for (let i = 0; i < cores.length; i++) {
    const core = cores[i]!;
    const before = i > 0 ? cores[i - 1]!.last : 0;
    const after = i + 1 < cores.length ? cores[i + 1]!.first : end;
    // A swing phase that the clip cuts short does not show its peak.
    const peakBefore = Math.max(peakOf(track, p, before, core.first), i > 0 ? 0 : typicalPeak);
    const peakAfter = Math.max(peakOf(track, p, core.last, after), i + 1 < cores.length ? 0 : typicalPeak);
    const strike = edgeSpeed(track, peakBefore, settings.strikeShare, settings.strikeSpeedMax);
    const release = edgeSpeed(track, peakAfter, settings.releaseShare, settings.releaseSpeedMax);
    const top = core.top + track.floor.tolerance;
    const first = trimmed(speed, core, core.first, 1, strike);
    const last = trimmed(speed, core, core.last, -1, release);
    edges.push({
      first: core.first === 0 ? 0 : edgeFrom(speed, height, first, -1, Math.min(before, first), strike, top),
      last: core.last === end ? end : edgeFrom(speed, height, last, 1, Math.max(after, last), release, top),
      core,
    });
  }
  addCutContacts(track, p, typicalPeak, edges);
  const merged: typeof edges = [];
  for (const edge of edges) {
    const previous = merged[merged.length - 1];
    const isOne =
      previous &&
      Math.abs(previous.core.level - edge.core.level) < 2 * track.floor.tolerance &&
      (edge.first - previous.last < settings.swingMin * fps || staysPut(track, p, previous.last, edge.first));
    if (isOne) {
      previous.last = Math.max(previous.last, edge.last);
      previous.core = { ...previous.core, last: edge.core.last, top: Math.max(previous.core.top, edge.core.top) };
    } else merged.push(edge);
  }
  return merged
    .filter(({ first, last }) => {
      const cut = first <= 0 || last >= end;
      return last - first >= (cut ? Math.min(end, 1) : settings.stanceMin * fps);
    })
    .map(({ first, last, core }) => ({
      start: Math.max(0, first) / fps,
      end: Math.min(end, last) / fps,
      confidence: confidenceOf(track, p, core, first, last),
    }));
}

/** The median peak of the swing phases between the cores of a point; the fast speed of the clip where there is none. */
function typicalSwingPeak(track: Track, p: number, cores: Core[]): number {
  if (cores.length < 2) return track.fast;
  const peaks = new Float64Array(cores.length - 1);
  for (let i = 1; i < cores.length; i++) peaks[i - 1] = peakOf(track, p, cores[i - 1]!.last, cores[i]!.first);
  return quantile(peaks, peaks.length, 0.5);
}

/**
 * A contact that the clip cuts so short that it never gets still: its heel strike just before the last frame, or its
 * toe off just after the first. There the point is low, slower than at an edge, and slowing down or speeding up.
 */
function addCutContacts(
  track: Track,
  p: number,
  peak: number,
  edges: { first: number; last: number; core: Core }[],
): void {
  const { floor, settings } = track;
  const speed = track.speeds[p]!;
  const height = track.heights[p]!;
  const end = speed.length - 1;
  if (end < 2 || peak < 2 * track.still) return;
  const low = (f: number) => height[f]! < floor.tolerance && height[f]! > -SINK_MAX * floor.tolerance;
  const strike = edgeSpeed(track, peak, settings.strikeShare, settings.strikeSpeedMax);
  const newest = edges[edges.length - 1];
  if (low(end) && speed[end]! < strike && speed[end - 2]! > speed[end]! && (!newest || newest.last < end - 2)) {
    const first = edgeFrom(speed, height, end, -1, newest ? Math.ceil(newest.last) : 0, strike, floor.tolerance);
    edges.push({ first, last: end, core: { first: end, last: end, level: 0, top: 0 } });
  }
  const release = edgeSpeed(track, peak, settings.releaseShare, settings.releaseSpeedMax);
  const oldest = edges[0];
  if (low(0) && speed[0]! < release && speed[2]! > speed[0]! && (!oldest || oldest.first > 2)) {
    const last = edgeFrom(speed, height, 0, 1, oldest ? Math.floor(oldest.first) : end, release, floor.tolerance);
    edges.unshift({ first: 0, last, core: { first: 0, last: 0, level: 0, top: 0 } });
  }
}

/** Whether a point is never further from where it was than a foot that shifts its weight. */
function staysPut(track: Track, p: number, from: number, to: number): boolean {
  const point = track.points[p]!;
  const { fps, groundVelocity } = track;
  const first = Math.floor(from);
  const reach = STAY_RADIUS * track.legLength;
  const [gx, gy, gz] = groundVelocity;
  for (let f = first + 1; f <= to; f++) {
    const t = (f - first) / fps;
    const x = point[f * 3]! - point[first * 3]! - gx * t;
    const y = point[f * 3 + 1]! - point[first * 3 + 1]! - gy * t;
    const z = point[f * 3 + 2]! - point[first * 3 + 2]! - gz * t;
    if (x * x + y * y + z * z > reach * reach) return false;
  }
  return true;
}

/** The highest speed that a point has twice, `PEAK_DURATION` apart, between two frames. */
function peakOf(track: Track, p: number, from: number, to: number): number {
  const speed = track.speeds[p]!;
  const apart = Math.max(1, Math.round(PEAK_DURATION * track.fps));
  let peak = 0;
  for (let f = from; f + apart <= to; f++) peak = Math.max(peak, Math.min(speed[f]!, speed[f + apart]!));
  return peak;
}

function edgeSpeed(track: Track, peak: number, share: number, most: number): number {
  const least = Math.max(0.6 * track.settings.stillSpeedMin * track.legLength, 3 * track.noise);
  return Math.max(least, Math.min(most * track.legLength, share * peak));
}

/** The frame nearest to an end of a core, going inwards, at which the point is no faster than the limit. */
function trimmed(speed: Float64Array, core: Core, from: number, inwards: 1 | -1, limit: number): number {
  let f = from;
  while (speed[f]! > limit && f + inwards >= core.first && f + inwards <= core.last) f += inwards;
  return speed[f]! > limit ? from : f;
}

/**
 * Walks outwards from a frame in contact until the point is faster than `limit` or higher than `top`, and returns where
 * between two frames that happens.
 */
function edgeFrom(
  speed: Float64Array,
  height: Float64Array,
  from: number,
  direction: 1 | -1,
  until: number,
  limit: number,
  top: number,
): number {
  let f = from;
  while (f !== until) {
    const next = f + direction;
    const fast = speed[next]! > limit;
    const high = height[next]! > top;
    if (fast || high) {
      let t = 1;
      if (fast && speed[next]! > speed[f]!) t = Math.min(t, (limit - speed[f]!) / (speed[next]! - speed[f]!));
      if (high && height[next]! > height[f]!) t = Math.min(t, (top - height[f]!) / (height[next]! - height[f]!));
      return f + direction * Math.max(0, t);
    }
    f = next;
  }
  return f;
}

/** 1 − the mean of speed and height over their thresholds, each at most 1. */
function confidenceOf(track: Track, p: number, core: Core, first: number, last: number): number {
  const speed = track.speeds[p]!;
  const height = track.heights[p]!;
  let sum = 0;
  let count = 0;
  for (let f = Math.max(0, Math.ceil(first)); f <= Math.min(speed.length - 1, last); f++, count++) {
    const fast = Math.min(1, speed[f]! / (2 * track.still));
    const high = Math.min(1, Math.abs(height[f]! - core.level) / (2 * track.floor.tolerance));
    sum += (1 - fast) * (1 - high);
  }
  return count === 0 ? 0 : sum / count;
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
