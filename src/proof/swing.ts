/** Which frames of a leg are swing, and by how much its foot leaves the scaled path of the source's for its own proportions. */
import { distanceVec } from '../math/vec.ts';
import { oncePer } from '../skeleton/once-per.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import type { Evidence } from './evidence.ts';
import { footPointsOf } from './foot-points.ts';
import { kneelingOrNear } from './kneeling.ts';
import type { BodyPoint, FootPoints } from './measure.ts';
import { type FootSpans, flagsOf, type Span, toSpans } from './spans.ts';
import { findStance } from './stance.ts';
import { pointAt, type Track } from './track.ts';

/** A foot that is about to stand or has just stood leaves its target for its plant. Seconds. */
const RAMP = 0.2;
/**
 * A foot of the source that is so low (share of leg length over where it is lowest) and slower than this (leg lengths a second)
 * does not swing, though it cannot be said to stand: floors of captures rise and sink by 5 % of the leg from place to place, and a
 * heel that has left the floor is slow at first (common practice, no source). Taken for swing, such feet failed plain walks.
 */
const LOW = 0.07;
const SLOW = 0.4;

/** Frames in which the foot of a leg stands or lies behind a knee on the floor, or soon will, or just did. */
export function notSwinging(evidence: Evidence, side: Side): Uint8Array {
  const { spans, target, source, groundVelocity } = evidence;
  const ramp = Math.round(RAMP / target.frameDuration);
  // On a belt a foot is still that swings.
  const slow = source && groundVelocity.every((v) => v === 0) ? slowFeet(source)[side].foot : [];
  const around = ([first, last]: Span): Span => [Math.max(0, first - ramp), last + ramp];
  const flags = flagsOf([...spans[side].foot, ...slow].map(around), target.frameCount);
  const kneeling = kneelingOrNear(evidence, side);
  return kneeling ? flags.map((stands, f) => stands | kneeling[f]!) : flags;
}

/** When feet are low and slow; the frames of each foot as one. */
const slowFeet = oncePer((source: Track): FootSpans => {
  const [left, right] = SIDES.map((side) => footPointsOf(source, side));
  const slow = findStance(source, { left: left!, right: right! }, [0, 0, 0], LOW, SLOW);
  return toSpans(slow, source.frameDuration, 0, source.frameCount);
});

/**
 * By how much a foot takes its ankle farther away than the source's does, each as a share of its own leg: by what it is longer,
 * and if it is stiff by what its front end is farther from the ankle than the source's ball. With its heel up it can stand on
 * nothing else, and when it turns there its ankle goes round at that distance.
 */
export function longerFoot({ target, source, feet, sourceFeet }: Evidence, side: Side): number {
  const own = feet[side];
  const its = sourceFeet[side];
  const ankle = target.limbs[`${side}Leg`]?.end;
  const srcAnkle = source?.limbs[`${side}Leg`]?.end;
  if (!own || !its || !source || !ankle || !srcAnkle) return 0;
  const longer = footLength(target, own) - footLength(source, its);
  const isStiff = own.toe !== null && own.ball.joint === own.heel.joint;
  const farther = isStiff ? shareBetween(target, ankle, own.toe!) - shareBetween(source, srcAnkle, its.ball) : 0;
  return Math.max(0, longer, farther);
}

/** From heel to toe end (to the ball and a third more where the toe end is not known), as a share of the leg. */
function footLength(track: Track, { heel, ball, toe }: FootPoints): number {
  return shareBetween(track, heel, toe ?? ball) * (toe ? 1 : 4 / 3);
}

/** Distance of two points of a foot in the first frame, as a share of the leg. */
function shareBetween(track: Track, from: BodyPoint, to: BodyPoint): number {
  if (track.frameCount === 0 || !track.legLength) return 0;
  const a = new Float64Array(3);
  const b = new Float64Array(3);
  pointAt(track, 0, from, a, 0);
  pointAt(track, 0, to, b, 0);
  return distanceVec(a, 0, b, 0) / track.legLength;
}
