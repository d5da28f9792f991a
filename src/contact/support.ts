import { distanceVec } from '../math/vec.ts';
import { quantile, SAMPLES_MAX } from './motion.ts';
import { type Core, SINK_MAX, type Track } from './track.ts';

/**
 * A floor is captured with errors, and a foot sinks in: a point up to this much higher than where it rests (leg lengths)
 * is in contact if nothing speaks against it.
 */
const NEAR_HEIGHT = 0.045;
/** A point on a step stays there at least this long (s) to count as standing. */
const STEP_STANCE_MIN = 0.15;
/** For so much of that time, at least, the other foot has to be on its way: then this one carries the body. */
const STEP_SUPPORT_SHARE = 0.3;
/** The next step is no higher than this (leg lengths), and taken within this time (s). */
const STEP_HEIGHT_MAX = 0.6;
const STEP_TIME_MAX = 1.5;

/** What bears the body. */
export interface Support {
  /** Cores of all four points: those on the floor, near it, and on steps that have to bear the body. */
  cores: Core[][];
  /** 1 where a heel is up although it is low and slow, a frame; null for the balls. */
  raised: (Uint8Array | null)[];
}

export function findSupport(track: Track): Support {
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
  const raised = [0, 1, 2, 3].map((p) => (p % 2 === 0 ? raisedHeel(track, p, accepted[p + 1]!) : null));
  for (const heel of [0, 2]) accepted[heel] = accepted[heel]!.flatMap((core) => withoutRaised(core, raised[heel]!));
  return { cores: accepted.map((own) => joined(own.sort((a, b) => a.first - b.first))), raised };
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

/** A heel that is so much higher over its ball than when both rest is up, however low and still: sine of 10 degrees. */
const HEEL_UP = 0.17;

/**
 * Frames in which a heel is up while the ball carries the foot. In a deep squat, or a dance on the balls, a heel may keep
 * still at a height at which heels of other feet rest.
 */
function raisedHeel(track: Track, heel: number, balls: readonly Core[]): Uint8Array {
  const ball = heel + 1;
  const raised = contactMask(track, balls);
  const heights = track.heights[heel]!;
  const ballHeights = track.heights[ball]!;
  const most = HEEL_UP * footLength(track.points[heel]!, track.points[ball]!);
  for (let f = 0; f < raised.length; f++) if (heights[f]! - ballHeights[f]! <= most) raised[f] = 0;
  return raised;
}

/** The parts of a core in which its point is not up. */
function withoutRaised(core: Core, raised: Uint8Array): Core[] {
  const out: Core[] = [];
  let open: Core | null = null;
  for (let f = core.first; f <= core.last; f++) {
    if (raised[f]) open = null;
    else if (open) open.last = f;
    else {
      open = { ...core, first: f, last: f };
      out.push(open);
    }
  }
  return out;
}

/** Distance from heel to ball: the median over the clip, in samples. */
function footLength(heel: Float64Array, ball: Float64Array): number {
  const frameCount = heel.length / 3;
  const step = Math.max(1, Math.floor(frameCount / SAMPLES_MAX));
  const lengths = new Float64Array(Math.ceil(frameCount / step));
  let count = 0;
  for (let at = 0; at < heel.length; at += 3 * step) lengths[count++] = distanceVec(heel, at, ball, at);
  return quantile(lengths, count, 0.5);
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
    if (isStill && first < 0) {
      first = f;
      sum = 0;
    }
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
