import { mulQuat, rotateVec, rotateVecInverse } from '../math/quat.ts';
import { addVec, copyVec, distanceVec, lengthVec, lerpVec, scaleVec, subVec } from '../math/vec.ts';
import { type Role, sidedRole } from '../pairing/roles.ts';
import type { Actor } from '../retarget/actor.ts';
import type { LimbTargets } from '../retarget/limb-targets.ts';
import type { LimbPlan, RetargetPlan } from '../retarget/plan.ts';
import { type Clip, framePose, restLocalPose } from '../skeleton/clip.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { createWorldPose, type WorldPose } from '../skeleton/skeleton.ts';
import type { SkinMesh } from '../skeleton/skin.ts';
import { type BodyGirths, bodyGirths } from './body-girths.ts';
import type { FrameSpan } from './hold.ts';

/**
 * Hands that rest on the body, on each other or on the floor.
 *
 * While the wrist is near a part, it keeps its place relative to the part, as seen from the part's surface: the offset
 * from the part's line is scaled by the girths of the two bodies, the place along the line by its length. A hand that
 * strokes or slides goes on doing so. Before and after, the correction fades along a curve that is continuous in slope.
 *
 * Tried and left: a weight by distance, widened in time, on the goal itself. Where hands part quickly the goal runs away
 * with them (large hands on short arms popped by 14 times the clip's own acceleration).
 */
export interface HandOptions {
  /** A contact with the body shorter than this is passing by; hands may meet for less. Seconds. */
  shortest: number;
  /** Over this time a hand gets from its own way onto the contact, and back; and for a way of an arm's length more. Seconds. */
  ramp: number;
  rampPerArm: number;
}

export const HAND_DEFAULTS: Readonly<HandOptions> = { shortest: 0.5, ramp: 0.15, rampPerArm: 0.5 };

/** Distances of the wrist from a part's line, in arm lengths of the performer: near below the first, until beyond the second. */
const NEAR = {
  /** From the other wrist. */
  hand: [0.26, 0.36],
  head: [0.3, 0.4],
  pelvis: [0.25, 0.33],
  thigh: [0.21, 0.27],
  forearm: [0.17, 0.23],
  /** Height over the floor. */
  floor: [0.2, 0.3],
} as const;
/** In a gap between two contacts, a hand within so many times the far threshold has not left. */
const STILL_NEAR = 1.7;
/** A hand on the floor that carries weight keeps still: arm lengths a second. */
const FLOOR_SPEED = 0.5;
/** Hands that meet do so where both arms reach, to this share of their length. */
const MEETING_REACH = 0.9;
/** A contact stretches an arm freely up to the first share of its length, and never beyond the second. */
const REACH = [0.85, 0.97] as const;
/** The slope of a correction dies within this time outside of its contact. Seconds. */
const SLOPE_TIME = 0.08;
/** Shifts below this share of the arm's length leave the hand alone: under Float32 keys' own rounding. */
const NOTHING = 1e-6;

/** What a hand was held to: a part of the body, the other hand, or the floor. */
export type HandPart = 'hand' | 'head' | 'pelvis' | 'leftThigh' | 'rightThigh' | 'forearm' | 'floor';

export interface HandContact {
  side: Side;
  part: HandPart;
  /** First and last frame in which it is near. */
  first: number;
  last: number;
}

/** A line of the body that a hand may rest on: between two joints, or from the head joint to the crown. */
interface Part {
  name: Exclude<HandPart, 'hand' | 'floor'>;
  near: readonly [number, number];
  /** Role whose anatomical frame the offset is kept in. */
  frame: Role;
  from: Role;
  /** Null: the crown. */
  to: Role | null;
  girth: 'head' | 'pelvis' | 'thigh' | 'forearm';
  /** Share of the line that counts: the end of a forearm is the hand, which is met as one. */
  until: number;
}

function partsFor(side: Side): Part[] {
  const other: Side = side === 'left' ? 'right' : 'left';
  const thigh = (of: Side): Part => ({
    name: `${of}Thigh`,
    near: NEAR.thigh,
    frame: sidedRole(of, 'UpperLeg'),
    from: sidedRole(of, 'UpperLeg'),
    to: sidedRole(of, 'LowerLeg'),
    girth: 'thigh',
    until: 1,
  });
  return [
    { name: 'head', near: NEAR.head, frame: 'head', from: 'head', to: null, girth: 'head', until: 1 },
    {
      name: 'pelvis',
      near: NEAR.pelvis,
      frame: 'hips',
      from: 'leftUpperLeg',
      to: 'rightUpperLeg',
      girth: 'pelvis',
      until: 1,
    },
    thigh('left'),
    thigh('right'),
    {
      name: 'forearm',
      near: NEAR.forearm,
      frame: sidedRole(other, 'LowerArm'),
      from: sidedRole(other, 'LowerArm'),
      to: sidedRole(other, 'Hand'),
      girth: 'forearm',
      until: 0.7,
    },
  ];
}

/**
 * Finds the performer's hand contacts and writes wrist positions for the arms into `targets`.
 *
 * @param srcClip  the performer's motion
 * @param base     the target's motion without hand contacts, feet planted
 * @param skins    the target's meshes, world space, from which its girths are measured
 * @param targets  rows of the arms are overwritten where a hand rests on something; all else is left
 */
export function holdHands(
  plan: RetargetPlan,
  srcClip: Clip,
  base: Clip,
  skins: readonly SkinMesh[],
  targets: LimbTargets,
  options: Partial<HandOptions> = {},
): HandContact[] {
  const settings = { ...HAND_DEFAULTS, ...options };
  const arms = SIDES.map((_, i) => plan.limbs.find(({ limb }) => limb === 2 + i));
  const able = arms.filter((arm) => arm && arm.srcUpper >= 0 && arm.srcLower >= 0 && arm.ratio > 0);
  if (able.length === 0 || srcClip.frameCount === 0) return [];
  const figures = trackFigures(plan, srcClip, base);
  const girths = { source: bodyGirths(plan.source), target: bodyGirths(plan.target, skins) };
  const hands = SIDES.map((side, i) => {
    const arm = arms[i];
    return arm && able.includes(arm) ? trackHand(plan, figures, side, arm, girths, settings) : null;
  });
  const [left, right] = hands;
  if (left && right) meetHands(left, right, girths.target.hand / girths.source.hand, figures.fps, settings);
  const place = new Float64Array(3);
  hands.forEach((hand, i) => {
    if (!hand) return;
    for (let f = 0; f < srcClip.frameCount; f++) {
      if (lengthVec(hand.shift, f * 3) < NOTHING * hand.arm.length) continue;
      addVec(place, 0, hand.base, f * 3, hand.shift, f * 3);
      soften(hand, place, f);
      targets.positions.set(place, (f * 4 + 2 + i) * 3);
      targets.positionWeights[f * 4 + 2 + i] = 1;
    }
  });
  return hands.flatMap((hand) => hand?.contacts ?? []).sort((a, b) => a.first - b.first);
}

/** World poses of both figures, every frame. */
interface Figures {
  source: WorldPose[];
  target: WorldPose[];
  fps: number;
}

function trackFigures({ source, target }: RetargetPlan, srcClip: Clip, base: Clip): Figures {
  const track = ({ skeleton }: Actor, clip: Clip): WorldPose[] => {
    const local = restLocalPose(skeleton);
    return Array.from({ length: clip.frameCount }, (_, f) => {
      const pose = createWorldPose(skeleton.jointCount);
      framePose(skeleton, clip, f, local, pose);
      return pose;
    });
  };
  return { source: track(source, srcClip), target: track(target, base), fps: 1 / srcClip.frameDuration };
}

interface Girths {
  source: BodyGirths;
  target: BodyGirths;
}

/** One hand over the clip. All paths are frames × 3. */
interface HandTrack {
  side: Side;
  arm: LimbPlan;
  /** Performer's wrist; the target's wrist and shoulder on their own way. */
  source: Float64Array;
  base: Float64Array;
  shoulder: Float64Array;
  /** Upper arm and forearm of the performer, metres. */
  srcLength: number;
  /** What contact adds to `base`. */
  shift: Float64Array;
  contacts: HandContact[];
}

/** What one contact partner asks of a hand. */
interface Hold {
  spans: FrameSpan[];
  /** Where it wants the wrist, in the frames of the spans; frames × 3. */
  goals: Float64Array;
}

function trackHand(
  plan: RetargetPlan,
  figures: Figures,
  side: Side,
  arm: LimbPlan,
  girths: Girths,
  settings: HandOptions,
): HandTrack {
  const frameCount = figures.source.length;
  const shoulder = new Float64Array(frameCount * 3);
  figures.target.forEach((pose, f) => {
    copyVec(shoulder, f * 3, pose.positions, arm.dstUpper * 3);
  });
  const lengths = plan.source.alignment.limbLengths;
  const hand: HandTrack = {
    side,
    arm,
    source: wristPath(plan.source, figures.source, arm.srcLower, arm.srcEnd, arm.limb),
    base: wristPath(plan.target, figures.target, arm.dstLower, arm.dstEnd, arm.limb),
    shoulder,
    srcLength: lengths[arm.limb * 2]! + lengths[arm.limb * 2 + 1]!,
    shift: new Float64Array(frameCount * 3),
    contacts: [],
  };
  const total = new Float64Array(frameCount);
  const add = (part: HandPart, { spans, goals }: Hold): void => {
    if (spans.length === 0) return;
    const { shift, share } = fadedShift(hand.base, arm.length, spans, goals, figures.fps, settings);
    for (let f = 0; f < frameCount; f++) {
      const w = share[f * 3]!;
      total[f]! += w;
      for (let k = 0; k < 3; k++) hand.shift[f * 3 + k]! += w * shift[f * 3 + k]!;
    }
    for (const span of spans) hand.contacts.push({ side, part, ...span });
  };
  for (const part of partsFor(side)) {
    const held = holdToPart(plan, figures, part, hand, girths, settings);
    if (held) add(part.name, held);
  }
  add('floor', holdToFloor(figures, hand, girths.target.hand / girths.source.hand, settings));
  // Where several parts hold it, the hand goes between; a single one is followed exactly.
  for (let f = 0; f < frameCount; f++) {
    if (total[f]! > 0) scaleVec(hand.shift, f * 3, hand.shift, f * 3, 1 / total[f]!);
  }
  return hand;
}

/** What goals add to a wrist's own way, faded outside of the spans; and how much of it is left, 1 in them. */
function fadedShift(
  base: Float64Array,
  armLength: number,
  spans: readonly FrameSpan[],
  goals: Float64Array,
  fps: number,
  { ramp, rampPerArm }: HandOptions,
): { shift: Float64Array; share: Float64Array } {
  const frameCount = base.length / 3;
  const shift = new Float64Array(base.length);
  let most = 0;
  for (const { first, last } of spans) {
    for (let f = first; f <= last; f++) {
      subVec(shift, f * 3, goals, f * 3, base, f * 3);
      most = Math.max(most, lengthVec(shift, f * 3));
    }
  }
  const frames = Math.max(1, Math.round((ramp + rampPerArm * Math.min(1, most / armLength)) * fps));
  const share = new Float64Array(base.length);
  for (const { first, last } of spans) share.fill(1, first * 3, (last + 1) * 3);
  fadeAway(shift, spans, frameCount, frames, Math.max(1, Math.round(SLOPE_TIME * fps)));
  fadeAway(share, spans, frameCount, frames, 1);
  return { shift, share };
}

/**
 * Carries values out of their spans to zero over `ramp` frames: the value along a cubic with level ends, its slope dying
 * within `slopeFrames`, so that a hand that leaves fast does not throw the correction beyond what it was.
 */
function fadeAway(
  values: Float64Array,
  spans: readonly FrameSpan[],
  frameCount: number,
  ramp: number,
  slopeFrames: number,
): void {
  spans.forEach(({ first, last }, s) => {
    const before = s > 0 ? first - spans[s - 1]!.last : Number.POSITIVE_INFINITY;
    const after = s + 1 < spans.length ? spans[s + 1]!.first - last : Number.POSITIVE_INFINITY;
    for (const [edge, step, room] of [
      [first, -1, before],
      [last, 1, after],
    ] as const) {
      const length = Math.min(ramp, room);
      const slopeLength = Math.min(slopeFrames, room);
      for (let k = 0; k < 3; k++) {
        const value = values[edge * 3 + k]!;
        const slope = last > first ? value - values[(edge - step) * 3 + k]! : 0;
        for (let i = 1; i < length; i++) {
          const f = edge + step * i;
          if (f < 0 || f >= frameCount) break;
          const u = i / length;
          const v = Math.max(0, 1 - i / slopeLength);
          values[f * 3 + k]! += value * (1 - u) ** 2 * (1 + 2 * u) + slope * i * v * v;
        }
      }
    }
  });
}

function wristPath(actor: Actor, poses: readonly WorldPose[], lower: number, end: number, limb: number): Float64Array {
  const path = new Float64Array(poses.length * 3);
  poses.forEach(({ positions, rotations }, f) => {
    if (end >= 0) copyVec(path, f * 3, positions, end * 3);
    else {
      rotateVec(path, f * 3, rotations, lower * 4, actor.alignment.limbEnds, limb * 3);
      addVec(path, f * 3, path, f * 3, positions, lower * 3);
    }
  });
  return path;
}

/** When the hand is near a part of the body, and where that wants the wrist; null where a figure lacks the part. */
function holdToPart(
  { source, target }: RetargetPlan,
  figures: Figures,
  part: Part,
  { source: wrist, srcLength }: HandTrack,
  girths: Girths,
  settings: HandOptions,
): Hold | null {
  const src = lineOf(source, part, girths.source);
  const dst = lineOf(target, part, girths.target);
  if (!src || !dst) return null;
  const frameCount = figures.source.length;
  const goals = new Float64Array(frameCount * 3);
  const distances = new Float64Array(frameCount);
  const scale = girths.target[part.girth] / girths.source[part.girth];
  const from = new Float64Array(3);
  const line = new Float64Array(3);
  const offset = new Float64Array(3);
  const frame = new Float64Array(4);
  for (let f = 0; f < frameCount; f++) {
    readLine(figures.source[f]!, src, from, line);
    subVec(offset, 0, wrist, f * 3, from, 0);
    const t = Math.min(part.until, shareAlong(offset, line));
    for (let k = 0; k < 3; k++) offset[k]! -= t * line[k]!;
    distances[f] = lengthVec(offset, 0) / srcLength;
    // From the canonical posture both figures' parts are turned alike, or as nearly so as the rig allows.
    mulQuat(frame, 0, figures.source[f]!.rotations, src.joint * 4, src.undo, 0);
    rotateVecInverse(offset, 0, frame, 0, offset, 0);
    mulQuat(frame, 0, figures.target[f]!.rotations, dst.joint * 4, dst.undo, 0);
    rotateVec(offset, 0, frame, 0, offset, 0);
    readLine(figures.target[f]!, dst, from, line);
    for (let k = 0; k < 3; k++) goals[f * 3 + k] = from[k]! + t * line[k]! + scale * offset[k]!;
  }
  return {
    spans: nearSpans(distances, part.near, settings.shortest * figures.fps, gapOf(settings, figures.fps)),
    goals,
  };
}

/** A part's line on one figure, in joints. */
interface Line {
  joint: number;
  /** Canonical posture of the joint, inverted. */
  undo: Float64Array;
  from: number;
  to: number;
  /** For the head: from the joint to the crown, in the joint's frame. */
  crown: Float64Array | null;
}

function lineOf({ body, alignment }: Actor, part: Part, girths: BodyGirths): Line | null {
  const joint = body.roles[part.frame];
  const from = body.roles[part.from];
  const to = part.to === null ? from : body.roles[part.to];
  if (joint === undefined || from === undefined || to === undefined) return null;
  const undo = Float64Array.from(alignment.posture.subarray(joint * 4, joint * 4 + 4), (x, k) => (k < 3 ? -x : x));
  let crown: Float64Array | null = null;
  if (part.to === null) {
    crown = Float64Array.of(0, girths.headHeight, 0);
    rotateVec(crown, 0, undo, 0, crown, 0);
  }
  return { joint, undo, from, to, crown };
}

function readLine({ positions, rotations }: WorldPose, line: Line, from: Float64Array, along: Float64Array): void {
  copyVec(from, 0, positions, line.from * 3);
  if (line.crown) rotateVec(along, 0, rotations, line.joint * 4, line.crown, 0);
  else subVec(along, 0, positions, line.to * 3, positions, line.from * 3);
}

/** Share of a line at which a point, given from its start, is nearest; 0 to 1. */
function shareAlong(offset: Float64Array, line: Float64Array): number {
  const length = line[0]! ** 2 + line[1]! ** 2 + line[2]! ** 2;
  if (length === 0) return 0;
  return Math.max(0, Math.min(1, (offset[0]! * line[0]! + offset[1]! * line[1]! + offset[2]! * line[2]!) / length));
}

/** Hands that carry weight on the floor stay where they stand, as high over it as their size asks for. */
function holdToFloor(
  { fps }: Figures,
  { source: wrist, base, srcLength }: HandTrack,
  handScale: number,
  settings: HandOptions,
): Hold {
  const frameCount = wrist.length / 3;
  const distances = new Float64Array(frameCount);
  for (let f = 0; f < frameCount; f++) {
    const before = Math.max(0, f - 1) * 3;
    const after = Math.min(frameCount - 1, f + 1) * 3;
    const speed = (distanceVec(wrist, before, wrist, after) * fps) / Math.max(1, (after - before) / 3);
    const isStill = speed < FLOOR_SPEED * srcLength;
    distances[f] = isStill ? Math.max(0, wrist[f * 3 + 1]!) / srcLength : Number.POSITIVE_INFINITY;
  }
  const spans = nearSpans(distances, NEAR.floor, settings.shortest * fps, 0);
  const goals = new Float64Array(frameCount * 3);
  for (const { first, last } of spans) {
    let x = 0;
    let z = 0;
    for (let f = first; f <= last; f++) {
      x += base[f * 3]! / (last - first + 1);
      z += base[f * 3 + 2]! / (last - first + 1);
    }
    for (let f = first; f <= last; f++) {
      goals[f * 3] = x;
      goals[f * 3 + 1] = handScale * wrist[f * 3 + 1]!;
      goals[f * 3 + 2] = z;
    }
  }
  return { spans, goals };
}

/**
 * Brings both wrists as near to each other as the performer's are, for hands of this size: each gives half, and the
 * middle moves to where both arms reach.
 */
function meetHands(left: HandTrack, right: HandTrack, handScale: number, fps: number, settings: HandOptions): void {
  const frameCount = left.base.length / 3;
  const length = (left.srcLength + right.srcLength) / 2;
  const apart = new Float64Array(frameCount);
  for (let f = 0; f < frameCount; f++) {
    apart[f] = distanceVec(left.source, f * 3, right.source, f * 3) / length;
  }
  const spans = nearSpans(apart, NEAR.hand, 0, gapOf(settings, fps));
  if (spans.length === 0) return;
  const pair = [left, right] as const;
  const ways = pair.map((hand) => hand.base.map((x, i) => x + hand.shift[i]!));
  const goals = pair.map(() => new Float64Array(frameCount * 3));
  const half = new Float64Array(3);
  const middle = new Float64Array(3);
  const arm = new Float64Array(3);
  for (const { first, last } of spans) {
    for (let f = first; f <= last; f++) {
      subVec(half, 0, right.source, f * 3, left.source, f * 3);
      scaleVec(half, 0, half, 0, handScale / 2);
      lerpVec(middle, 0, ways[0]!, f * 3, ways[1]!, f * 3, 0.5);
      // Alternate projection onto the two reaches: it nears a point in both where there is one.
      for (let i = 0; i < 20; i++) {
        pair.forEach((hand, h) => {
          for (let k = 0; k < 3; k++) arm[k] = middle[k]! + (h === 0 ? -1 : 1) * half[k]! - hand.shoulder[f * 3 + k]!;
          const far = lengthVec(arm, 0);
          // An arm that its own way stretches farther may stay so.
          const own = distanceVec(hand.base, f * 3, hand.shoulder, f * 3);
          const most = Math.max(MEETING_REACH * hand.arm.length, own);
          if (far > most) for (let k = 0; k < 3; k++) middle[k]! -= (1 - most / far) * arm[k]!;
        });
      }
      subVec(goals[0]!, f * 3, middle, 0, half, 0);
      addVec(goals[1]!, f * 3, middle, 0, half, 0);
    }
  }
  pair.forEach((hand, h) => {
    const { shift } = fadedShift(ways[h]!, hand.arm.length, spans, goals[h]!, fps, settings);
    for (let i = 0; i < shift.length; i++) hand.shift[i]! += shift[i]!;
    for (const span of spans) hand.contacts.push({ side: hand.side, part: 'hand', ...span });
  });
}

/** The time for two ramps, in frames. */
function gapOf({ ramp, rampPerArm }: HandOptions, fps: number): number {
  return 2 * (ramp + 0.5 * rampPerArm) * fps;
}

/** Pulls a wrist in that would stretch its arm, as far as its own way does not do so; smooth in value and slope. */
function soften({ arm, base, shoulder }: HandTrack, place: Float64Array, f: number): void {
  const far = distanceVec(place, 0, shoulder, f * 3);
  const free = Math.max(REACH[0] * arm.length, distanceVec(base, f * 3, shoulder, f * 3));
  if (far <= free) return;
  const left = REACH[1] * arm.length - free;
  const eased = left > 0 ? free + left * (1 - Math.exp((free - far) / left)) : free;
  for (let k = 0; k < 3; k++) {
    const from = shoulder[f * 3 + k]!;
    place[k] = from + (eased / far) * (place[k]! - from);
  }
}

/**
 * Spans of frames in which a distance comes below the first threshold and stays below the second, without those that are
 * shorter than `shortest` frames. A gap of less than `gap` frames in which it does not get much farther is closed: a hand
 * is not let go and caught again within the time that it takes to get there.
 */
function nearSpans(
  distances: Float64Array,
  [near, far]: readonly [number, number],
  shortest: number,
  gap: number,
): FrameSpan[] {
  const spans: FrameSpan[] = [];
  for (let f = 0; f < distances.length; f++) {
    if (distances[f]! >= far) continue;
    const first = f;
    let least = distances[f]!;
    while (f + 1 < distances.length && distances[f + 1]! < far) least = Math.min(least, distances[++f]!);
    if (least >= near || f - first + 1 < shortest) continue;
    const before = spans[spans.length - 1];
    const isShort = before && first - before.last <= gap;
    if (isShort && distances.subarray(before.last, first).every((d) => d < STILL_NEAR * far)) before.last = f;
    else spans.push({ first, last: f });
  }
  return spans;
}
