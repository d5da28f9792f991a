/**
 * When the hands of a performer rest, and on what: read once from its motion, for all characters that take it.
 *
 * Tried before: whole poses of performer and character, kept for all frames, for each character anew. They took a quarter of
 * the conversion of a clip in which no hand rests anywhere.
 */
import { mulQuat, rotateVecInverse } from '../math/quat.ts';
import { distanceVec, lengthVec, subVec } from '../math/vec.ts';
import { sidedRole } from '../pairing/roles.ts';
import type { Actor } from '../retarget/actor.ts';
import type { Clip } from '../skeleton/clip.ts';
import { createPartialPose, readPartialPose } from '../skeleton/partial-pose.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import type { WorldPose } from '../skeleton/skeleton.ts';
import { type BodyGirths, bodyGirths } from './body-girths.ts';
import { type ArmJoints, type Line, lineOf, NEAR, type Part, partsFor, readLine, readWrist } from './hand-parts.ts';
import type { FrameSpan } from './hold.ts';
import { shareAlong } from './surface.ts';

export interface HandOptions {
  /** A contact with the body shorter than this is passing by; hands may meet for less. Seconds. */
  shortest: number;
  /** Over this time a hand gets from its own way onto the contact, and back; and for a way of an arm's length more. Seconds. */
  ramp: number;
  rampPerArm: number;
  /** By which share an arm may grow to get there. */
  stretch: number;
}

export const HAND_DEFAULTS: Readonly<HandOptions> = { shortest: 0.5, ramp: 0.15, rampPerArm: 0.5, stretch: 0 };

/** In a gap between two contacts, a hand within so many times the far threshold has not left. */
const STILL_NEAR = 1.7;
/** A hand on the floor that carries weight keeps still: arm lengths a second. */
const FLOOR_SPEED = 0.5;

/** How a wrist lies beside one part of the body, every frame; and when it rests there. */
export interface PartRest {
  part: Part;
  spans: FrameSpan[];
  /** Where along the part's line, 0 to 1. */
  shares: Float64Array;
  /** From the line to the wrist in the part's anatomical frame, metres, frames × 3. */
  offsets: Float64Array;
}

export interface ArmRests {
  /** Frames × 3. */
  wrists: Float64Array;
  /** Upper arm and forearm, metres. */
  length: number;
  parts: PartRest[];
  floor: FrameSpan[];
}

export interface HandRests {
  frameCount: number;
  fps: number;
  girths: BodyGirths;
  /** Left and right; null for an arm that the figure does not have. */
  arms: readonly [ArmRests | null, ArmRests | null];
  /** When both hands are together. */
  meetings: FrameSpan[];
}

/** Allocates its result; throws nothing. */
export function readHandRests(actor: Actor, clip: Clip, options: Partial<HandOptions> = {}): HandRests {
  const settings = { ...HAND_DEFAULTS, ...options };
  const { frameCount } = clip;
  const fps = 1 / clip.frameDuration;
  const gap = gapOf(settings, fps);
  const girths = bodyGirths(actor);
  const tracks = SIDES.map((side, i) => trackOf(actor, side, 2 + i, girths, frameCount));
  readTracks(
    actor,
    clip,
    tracks.filter((track) => track !== null),
  );
  const [left, right] = tracks.map((track): ArmRests | null => {
    if (!track) return null;
    const { wrists, length } = track;
    return {
      wrists,
      length,
      parts: track.parts
        .map(({ part, shares, offsets, distances }) => ({
          part,
          spans: nearSpans(distances, part.near, settings.shortest * fps, gap),
          shares,
          offsets,
        }))
        .filter(({ spans }) => spans.length > 0),
      floor: floorSpans(wrists, length, fps, settings),
    };
  });
  return {
    frameCount,
    fps,
    girths,
    arms: [left!, right!],
    meetings: left && right ? meetingSpans(left, right, gap) : [],
  };
}

interface PartTrack {
  part: Part;
  line: Line;
  shares: Float64Array;
  offsets: Float64Array;
  /** From the wrist to the line, in arm lengths. */
  distances: Float64Array;
}

interface ArmTrack {
  arm: ArmJoints;
  wrists: Float64Array;
  length: number;
  parts: PartTrack[];
}

function trackOf(actor: Actor, side: Side, limb: number, girths: BodyGirths, frameCount: number): ArmTrack | null {
  const { roles } = actor.body;
  const upper = roles[sidedRole(side, 'UpperArm')];
  const lower = roles[sidedRole(side, 'LowerArm')];
  const [upperLength, lowerLength] = actor.alignment.limbLengths.subarray(limb * 2, limb * 2 + 2);
  if (upper === undefined || lower === undefined || !(lowerLength! > 0)) return null;
  return {
    arm: { limb, lower, end: roles[sidedRole(side, 'Hand')] ?? -1 },
    wrists: new Float64Array(frameCount * 3),
    length: upperLength! + lowerLength!,
    parts: partsFor(side).flatMap((part): PartTrack[] => {
      const line = lineOf(actor, part, girths);
      if (!line) return [];
      const [shares, distances] = [new Float64Array(frameCount), new Float64Array(frameCount)];
      return [{ part, line, shares, offsets: new Float64Array(frameCount * 3), distances }];
    }),
  };
}

function readTracks(actor: Actor, clip: Clip, tracks: readonly ArmTrack[]): void {
  if (tracks.length === 0) return;
  const joints = tracks.flatMap(({ arm, parts }) => [
    arm.lower,
    arm.end,
    ...parts.flatMap(({ line }) => [line.joint, line.from, line.to]),
  ]);
  const partial = createPartialPose(actor.skeleton, clip, joints);
  for (let f = 0; f < clip.frameCount; f++) {
    const pose = readPartialPose(partial, f);
    for (const { arm, wrists, length, parts } of tracks) {
      readWrist(wrists, f, pose, actor, arm);
      for (const part of parts) readPart(part, f, pose, wrists, length);
    }
  }
}

const from = new Float64Array(3);
const along = new Float64Array(3);
const offset = new Float64Array(3);
const frame = new Float64Array(4);

function readPart(
  { part, line, shares, offsets, distances }: PartTrack,
  f: number,
  pose: WorldPose,
  wrists: Float64Array,
  armLength: number,
): void {
  readLine(pose, line, from, along);
  subVec(offset, 0, wrists, f * 3, from, 0);
  const t = Math.min(part.until, shareAlong(offset, along));
  shares[f] = t;
  for (let k = 0; k < 3; k++) offset[k]! -= t * along[k]!;
  distances[f] = lengthVec(offset, 0) / armLength;
  // From the canonical posture both figures' parts are turned alike, or as nearly so as the rig allows.
  mulQuat(frame, 0, pose.rotations, line.joint * 4, line.undo, 0);
  rotateVecInverse(offsets, f * 3, frame, 0, offset, 0);
}

function floorSpans(wrists: Float64Array, length: number, fps: number, { shortest }: HandOptions): FrameSpan[] {
  const frameCount = wrists.length / 3;
  const distances = new Float64Array(frameCount);
  for (let f = 0; f < frameCount; f++) {
    const before = Math.max(0, f - 1) * 3;
    const after = Math.min(frameCount - 1, f + 1) * 3;
    const speed = (distanceVec(wrists, before, wrists, after) * fps) / Math.max(1, (after - before) / 3);
    const isStill = speed < FLOOR_SPEED * length;
    distances[f] = isStill ? Math.max(0, wrists[f * 3 + 1]!) / length : Number.POSITIVE_INFINITY;
  }
  return nearSpans(distances, NEAR.floor, shortest * fps, 0);
}

function meetingSpans(left: ArmRests, right: ArmRests, gap: number): FrameSpan[] {
  const length = (left.length + right.length) / 2;
  const apart = new Float64Array(left.wrists.length / 3);
  for (let f = 0; f < apart.length; f++) apart[f] = distanceVec(left.wrists, f * 3, right.wrists, f * 3) / length;
  return nearSpans(apart, NEAR.hand, 0, gap);
}

/** The time for two ramps, in frames. */
function gapOf({ ramp, rampPerArm }: HandOptions, fps: number): number {
  return 2 * (ramp + 0.5 * rampPerArm) * fps;
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
