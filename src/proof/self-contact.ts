import { distanceVec, lengthVec } from '../math/vec.ts';
import type { Role } from '../pairing/roles.ts';
import { oncePerKey } from '../skeleton/once-per.ts';
import { type Build, jointName, type LimbPoints } from './build.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import { handLength } from './hand-length.ts';
import type { Json, Measure, Where } from './measure.ts';
import { gapsOver, outlineOf, type Seat, seatBetween, seenFrom } from './outline.ts';
import { quantile, spread } from './statistics.ts';
import { MEASURE_RULES } from './thresholds.ts';
import { jointPath, pathOf, type Track } from './track.ts';

/** What a hand may rest on, and when it does. Lengths are leg lengths of the source. */
interface Touch {
  hand: 'leftHand' | 'rightHand';
  on: Role;
  /** Nearer than this: its wrist to the skin of head or hips, the joints of knees and of the other hand. */
  near: number;
  /** At these heights only, over the head joint or the hip joints. */
  from: number;
  to: number;
}

const ANY = { from: Number.NEGATIVE_INFINITY, to: Number.POSITIVE_INFINITY };
const TOUCHES: readonly Touch[] = [
  { hand: 'leftHand', on: 'rightHand', near: 0.15, ...ANY },
  ...(['leftHand', 'rightHand'] as const).flatMap((hand): Touch[] => [
    // 3 cm on an adult: what a palm leaves between wrist and skin. From chin to crown, and from the groin to the belt.
    { hand, on: 'head', near: 0.04, from: -0.12, to: Number.POSITIVE_INFINITY },
    { hand, on: 'hips', near: 0.04, from: -0.15, to: 0.15 },
    { hand, on: 'leftLowerLeg', near: 0.16, ...ANY },
    { hand, on: 'rightLowerLeg', near: 0.16, ...ANY },
  ]),
];
/** Shorter touches are passing by. Seconds. */
const SHORTEST = 0.15;
/** So is a hand that moves along the body faster than this: arms that swing brush it. Leg lengths a second; 0.4 m/s on an adult. */
const SLOW = 0.5;
/** An arm is straight that reaches farther than this share of its length: bent by less than 36 degrees. */
const STRAIGHT = 0.95;
/** And folded up, as far as elbows bend, that reaches less far than this: bent by more than 146 degrees. */
const FOLDED = 0.29;
/** Half a wrist, as a share of a hand's length: 4 cm on an adult. Common anthropometry, no source. */
const WRIST = 0.1;

/** Whether hands that rest on each other or on the body do so on the target. */
export function measureSelfContact(evidence: Evidence): Measure {
  const { target, source, sharedFrames } = evidence;
  if (!source) return notMeasured(evidence, 'self-contact', 'there is no source to compare with');
  const all: number[] = [];
  const places: Where[] = [];
  const details: { [key: string]: Json } = {};
  // Of one touch after the other.
  const excess = new Float64Array(sharedFrames);
  const judged = new Float64Array(sharedFrames);
  for (const touch of TOUCHES) {
    const its = restsOf(source, touch);
    const seat = seatOf(target, touch);
    if (!its || !seat) continue;
    const { hand, on } = touch;
    const seen = seenFrom(target, seat, handPath(target, hand), Number.POSITIVE_INFINITY, its.rests);
    const apart = apartOf(target, touch, seen);
    const larger = isKnee(on) ? 1 : largerHands(target.build, source.build);
    const frames = excessesOf(excess.fill(0), judged, its.rests, apart, its.apart, larger);
    if (frames === 0) continue;
    for (let i = 0; i < frames; i++) all.push(judged[i]!);
    details[`${hand} ${on}`] = { ...spread(judged, frames), frames };
    const { roles } = target.figure;
    for (const place of placesAbove(target, hand, roles[hand]!, excess, MEASURE_RULES['self-contact'].threshold))
      places.push({
        ...place,
        note: `away from ${on} (${jointName(target.figure, roles[on]!)})${armAt(target, hand, place.worstFrame)}`,
      });
  }
  if (all.length === 0)
    return notMeasured(evidence, 'self-contact', 'no hand of the source rests on the body or on the other hand');
  return measured(evidence, 'self-contact', quantile(all, 0.95), places, details);
}

/** How far a hand of the source is from what it may rest on, and the frames in which it does; null where it never does. */
const restsOf = oncePerKey((source: Track, touch: Touch): { apart: Float64Array; rests: Uint8Array } | null => {
  const seat = seatOf(source, touch);
  if (!seat) return null;
  const seen = seenFrom(source, seat, handPath(source, touch.hand), reachOf(source, touch));
  const apart = apartOf(source, touch, seen);
  const flags = new Uint8Array(source.frameCount);
  // Hands may meet for less than they stay.
  const slow = touch.on === 'rightHand' ? Number.POSITIVE_INFINITY : SLOW * source.frameDuration;
  flagRests(flags, apart, seen, touch.near, touch.from, touch.to, slow);
  if (touch.on === 'hips') dropHanging(flags, source, touch.hand);
  const rests = longRuns(flags, Math.max(2, Math.round(SHORTEST / source.frameDuration)));
  return rests && { apart, rests };
});

/** What a hand may rest on; null where one of both is missing. */
function seatOf({ build, figure: { roles } }: Track, { hand, on }: Touch): Seat | null {
  const joint = roles[on];
  if (roles[hand] === undefined || joint === undefined || roles[hand] === joint || !build.legLength) return null;
  return isSkin(on) ? (outlineOf(build, on)?.seat ?? null) : seatBetween(build, joint, joint, joint);
}

function isSkin(on: Role): on is 'head' | 'hips' {
  return on === 'head' || on === 'hips';
}

function isKnee(on: Role): boolean {
  return on === 'leftLowerLeg' || on === 'rightLowerLeg';
}

function handPath(track: Track, hand: Touch['hand']): Float64Array {
  return jointPath(track, track.figure.roles[hand]!);
}

/** How far from its seat a hand is looked for: leg lengths, a little more than where it rests. */
function reachOf({ build }: Track, { on, near, from, to }: Touch): number {
  const outline = isSkin(on) ? outlineOf(build, on) : null;
  return 2 * near + (outline ? Math.hypot(Math.max(...outline.radii), Math.max(-from, Math.min(to, outline.top))) : 0);
}

/** From the skin of the wrist to that of head or hips, else from joint to joint; leg lengths, NaN where it is far. */
function apartOf({ build }: Track, { hand, on }: Touch, seen: Float64Array): Float64Array {
  return isSkin(on) ? gapsOver(outlineOf(build, on)!, seen, WRIST * handLength(build, hand)) : lengthsOf(seen);
}

function lengthsOf(paths: Float64Array): Float64Array {
  const lengths = new Float64Array(paths.length / 3);
  for (let f = 0; f < lengths.length; f++) lengths[f] = lengthVec(paths, f * 3);
  return lengths;
}

/** What lies between a wrist and skin or another wrist is hand: with larger ones they are so many times as far apart. */
function largerHands(target: Build, source: Build): number {
  const both = (build: Build): number => handLength(build, 'leftHand') + handLength(build, 'rightHand');
  return Math.max(1, both(target) / both(source));
}

/** @param slow  how far a hand that rests may move against what it rests on, a frame */
function flagRests(
  flags: Uint8Array,
  apart: Float64Array,
  seen: Float64Array,
  near: number,
  from: number,
  to: number,
  slow: number,
): void {
  const last = flags.length - 1;
  for (let f = 0; f <= last; f++) {
    const height = seen[f * 3 + 1]!;
    if (!(apart[f]! < near && height >= from && height <= to)) continue;
    const [before, after] = [Math.max(0, f - 1), Math.min(last, f + 1)];
    const moved = distanceVec(seen, before * 3, seen, after * 3);
    // NaN where it comes from or goes farther than it is looked for: it does not rest.
    if (slow === Number.POSITIVE_INFINITY || moved < slow * (after - before)) flags[f] = 1;
  }
}

/** Why a hand may not get any farther, told after the place. */
function armAt(track: Track, hand: Touch['hand'], f: number): string {
  const arm = armOf(track, hand);
  if (!arm) return '';
  const far = distanceVec(pathOf(track, arm.root), f * 3, pathOf(track, arm.end), f * 3) / (arm.upper + arm.lower);
  return far > STRAIGHT ? ', the arm stretched out' : far < FOLDED ? ', the arm folded up' : '';
}

function armOf({ limbs }: Track, hand: Touch['hand']): LimbPoints | null {
  return limbs[hand === 'leftHand' ? 'leftArm' : 'rightArm'];
}

/** A hand of an arm that hangs straight down beside the hips is where the shoulder puts it. */
function dropHanging(flags: Uint8Array, track: Track, hand: Touch['hand']): void {
  const arm = armOf(track, hand);
  if (!arm) return;
  const [root, end] = [pathOf(track, arm.root), pathOf(track, arm.end)];
  dropFar(flags, root, end, STRAIGHT * (arm.upper + arm.lower));
}

function dropFar(flags: Uint8Array, a: Float64Array, b: Float64Array, most: number): void {
  for (let f = 0; f < flags.length; f++) if (flags[f] === 1 && distanceVec(a, f * 3, b, f * 3) > most) flags[f] = 0;
}

/** Leaves of some flags those in runs of at least so many; null where there are none. */
function longRuns(flags: Uint8Array, shortest: number): Uint8Array | null {
  let result: Uint8Array | null = null;
  for (let f = flags.indexOf(1); f >= 0; ) {
    const next = flags.indexOf(0, f);
    const end = next < 0 ? flags.length : next;
    if (end - f >= shortest) {
      result ??= new Uint8Array(flags.length);
      result.fill(1, f, end);
    }
    f = next < 0 ? -1 : flags.indexOf(1, end);
  }
  return result;
}

/** How much farther apart than the source's a hand is from what it rests on; also copied one behind the other, and counted. */
function excessesOf(
  excess: Float64Array,
  judged: Float64Array,
  rests: Uint8Array,
  apart: Float64Array,
  its: Float64Array,
  larger: number,
): number {
  let count = 0;
  for (let f = 0; f < excess.length; f++) {
    if (rests[f] !== 1) continue;
    excess[f] = Math.max(0, apart[f]! - larger * its[f]!);
    judged[count++] = excess[f]!;
  }
  return count;
}
