/**
 * Plants: while heel or ball of a foot rests on the ground in the source, the same point of the target's foot rests on one
 * spot, and leaves it without a jerk.
 *
 * Within a contact the foot pivots: about the heel before it is flat, about the ball after. While it is flat its sole is
 * level and its heading constant. Between contacts the foot goes the way the plain retarget takes it: displacement and
 * turn at the edge of a contact fade along a cubic that starts with the slope they have there (after Kovar, Schreiner &
 * Gleicher 2002, 'Footskate Cleanup for Motion Capture Editing', who blend displacements with zero slope: that left a step
 * in foot velocity of up to the detector's speed limit, 0.3 m/s).
 */
import { axisAngleQuat, copyQuat, invertQuat, mulQuat, rotateVec } from '../math/quat.ts';
import { distanceVec } from '../math/vec.ts';
import { createLimbTargets, type LimbTargets } from '../retarget/limb-targets.ts';
import type { LimbPlan, RetargetPlan } from '../retarget/plan.ts';
import { createRetargeter, createTargetClip } from '../retarget/retargeter.ts';
import type { Clip } from '../skeleton/clip.ts';
import type { ContactInterval, FootContacts } from '../skeleton/contact-interval.ts';
import { LIMB_PARTS, LIMBS } from '../skeleton/limb.ts';
import type { Side } from '../skeleton/side.ts';
import { type FrameSpan, fadeOutside, quatOfRotationVector, rotationVector } from './hold.ts';
import { type ReachLeg, shiftPelvis } from './pelvis-shift.ts';
import type { Sole } from './sole.ts';

export interface PlantOptions {
  /** Seconds that a foot takes from its plant back to the performer's path, and before it. */
  ramp: number;
  /** Share of the leg up to which it is stretched out to keep a plant: knees never snap straight. */
  reach: number;
  /** Largest pelvis shift, share of the leg length; what needs more is left unplanted and reported. */
  largestShift: number;
}

export const PLANT_DEFAULTS: Readonly<PlantOptions> = { ramp: 0.2, reach: 0.98, largestShift: 0.35 };

/** One contact interval as it was planted. */
export interface Plant {
  side: Side;
  point: 'heel' | 'ball';
  start: number;
  end: number;
  /** Where the point rests, metres, world space. */
  position: [number, number, number];
}

export interface PlantResult {
  targets: LimbTargets;
  plants: Plant[];
  /** Largest distance by which a planted foot stays out of reach, metres; 0 when every plant is met. */
  outOfReach: number;
}

/** One run of frames in which heel or ball rests, with its spot once it is known. */
interface Rest {
  point: 'heel' | 'ball';
  span: FrameSpan;
  /** Offset from the spot of the chain's first rest, and the chain's number. */
  chain: number;
  offset: [number, number];
  spot: [number, number, number];
}

/** What the plain retarget does with one leg, frame-major. */
interface LegTrack {
  limb: LimbPlan;
  side: Side;
  hips: Float64Array;
  ankles: Float64Array;
  feet: Float64Array;
  toes: Float64Array;
  naturals: Float64Array;
}

/**
 * Finds the targets that hold every planted foot.
 *
 * @param clip      the source clip, world space
 * @param contacts  as detected on the source
 * @param soles     heel, ball and toe tip of the target's feet
 * @param sourceSoles  those of the source's
 * Allocates its result. Legs that the target does not have are left out.
 */
export function plantFeet(
  plan: RetargetPlan,
  clip: Clip,
  contacts: FootContacts,
  soles: Record<Side, Sole>,
  sourceSoles: Record<Side, Sole>,
  options: Partial<PlantOptions> = {},
): PlantResult {
  const settings = { ...PLANT_DEFAULTS, ...options };
  const { frameCount, frameDuration } = clip;
  const targets = createLimbTargets(frameCount);
  const legs = trackLegs(plan, clip);
  const plants: Plant[] = [];
  const ramp = Math.max(2, Math.round(settings.ramp / frameDuration));
  const reachLegs: ReachLeg[] = [];
  const restsOfLeg = legs.map((leg) => restsOf(contacts[leg.side], frameCount, frameDuration));
  const lift = standingLift(plan, legs, restsOfLeg, soles);
  for (const { hips, ankles } of legs) {
    for (let f = 0; f < frameCount; f++) {
      hips[f * 3 + 1]! += lift;
      ankles[f * 3 + 1]! += lift;
    }
  }
  for (let l = 0; l < legs.length; l++) {
    const leg = legs[l]!;
    const rests = restsOfLeg[l]!;
    limitPitch(plan, leg, soles[leg.side], sourceSoles[leg.side], frameCount);
    clampPitch(plan, leg, rests, soles[leg.side], ramp, frameCount);
    const offsets = plantLeg(plan, leg, rests, soles[leg.side], ramp, targets, frameCount);
    for (const { point, span, spot } of rests) {
      plants.push({
        side: leg.side,
        point,
        start: span.first * frameDuration,
        end: span.last * frameDuration,
        position: [...spot],
      });
    }
    reachLegs.push(reachOf(leg, offsets, targets, settings.reach, frameCount));
  }
  const outOfReach = shiftPelvis(reachLegs, frameCount, frameDuration, targets.rootShifts);
  for (let f = 0; f < frameCount; f++) targets.rootShifts[f * 3 + 1]! += lift;
  return { targets, plants, outOfReach };
}

/** Runs the plain retarget once and records what the legs do. */
function trackLegs(plan: RetargetPlan, clip: Clip): LegTrack[] {
  const { frameCount } = clip;
  const retargeter = createRetargeter(plan);
  const { worldPositions, worldRotations } = retargeter;
  const row = createTargetClip(plan, 'one frame', 1, clip.frameDuration);
  const legs: LegTrack[] = plan.limbs
    .filter(({ limb }) => LIMB_PARTS[LIMBS[limb]!].kind === 'leg')
    .map((limb) => ({
      limb,
      side: LIMB_PARTS[LIMBS[limb.limb]!].side,
      hips: new Float64Array(frameCount * 3),
      ankles: new Float64Array(frameCount * 3),
      feet: new Float64Array(frameCount * 4),
      toes: new Float64Array(frameCount * 4),
      naturals: new Float64Array(frameCount),
    }));
  const jointCount = plan.target.skeleton.jointCount;
  for (let f = 0; f < frameCount; f++) {
    retargeter.frame(clip, f, row, 0);
    for (let l = 0; l < legs.length; l++) {
      const { limb, hips, ankles, feet, toes, naturals } = legs[l]!;
      const end = limb.dstEnd >= 0 ? limb.dstEnd : jointCount + limb.limb;
      const joint = limb.dstEnd >= 0 ? limb.dstEnd : limb.dstLower;
      let square = 0;
      for (let k = 0; k < 3; k++) {
        hips[f * 3 + k] = worldPositions[limb.dstUpper * 3 + k]!;
        ankles[f * 3 + k] = worldPositions[end * 3 + k]!;
        square += (hips[f * 3 + k]! - ankles[f * 3 + k]!) ** 2;
      }
      naturals[f] = Math.sqrt(square);
      copyQuat(feet, f * 4, worldRotations, joint * 4);
      if (limb.dstToes >= 0) copyQuat(toes, f * 4, worldRotations, limb.dstToes * 4);
    }
  }
  return legs;
}

/**
 * How far the whole figure has to rise (or sink) so that its feet stand on the floor on average while they are flat: ankle
 * heights of performer and rig are never known to the millimetre, and a figure that floats would bend its knees to get down.
 */
function standingLift(
  plan: RetargetPlan,
  legs: readonly LegTrack[],
  restsOfLeg: readonly Rest[][],
  soles: Record<Side, Sole>,
): number {
  const heel = new Float64Array(3);
  let sum = 0;
  let count = 0;
  for (let l = 0; l < legs.length; l++) {
    const { limb, side, ankles } = legs[l]!;
    const level = levelFoot(plan, limb, soles[side]);
    rotateVec(heel, 0, level.posture, 0, level.heel, 0);
    for (const { span } of overlaps(restsOfLeg[l]!)) {
      for (let f = span.first; f <= span.last; f++) sum -= ankles[f * 3 + 1]! + heel[1]!;
      count += span.last - span.first + 1;
    }
  }
  return count > 0 ? sum / count : 0;
}

/** Heel and ball contacts as runs of frames, by their first frame. */
function restsOf(contacts: FootContacts[Side], frameCount: number, frameDuration: number): Rest[] {
  const rests: Rest[] = [];
  for (const point of ['heel', 'ball'] as const) {
    for (const interval of contacts[point]) {
      const span = framesOf(interval, frameCount, frameDuration);
      if (span) rests.push({ point, span, chain: -1, offset: [0, 0], spot: [0, 0, 0] });
    }
  }
  return rests.sort((a, b) => a.span.first - b.span.first);
}

/** Frames that lie within an interval; null when none does. */
export function framesOf(interval: ContactInterval, frameCount: number, frameDuration: number): FrameSpan | null {
  const first = Math.max(0, Math.ceil(interval.start / frameDuration - 1e-6));
  const last = Math.min(frameCount - 1, Math.floor(interval.end / frameDuration + 1e-6));
  return first <= last ? { first, last } : null;
}

/** Near the floor (share of leg length over it) a foot's pitch is limited in full, from the second height on not at all. */
const LIMIT_BELOW = 0.05;
const LIMIT_ABOVE = 0.4;

/**
 * A foot that is long for its leg, or that has no toes to roll over, would lift the ankle far higher than the performer's
 * does at the same pitch. Near the floor heel or toe is lifted as high as the performer's, scaled by the legs, and no
 * higher; a foot high in the air points as the performer's does. Tried before: within contacts only, faded after; the foot
 * then swung by 30 degrees in 0.2 s after every toe off and went through the floor.
 */
function limitPitch(plan: RetargetPlan, leg: LegTrack, sole: Sole, sourceSole: Sole, frameCount: number): void {
  const { feet, ankles, limb } = leg;
  if (limb.dstEnd < 0) return;
  const level = levelFoot(plan, limb, sole);
  const toeShare = Math.min(1, (plan.scale * sourceSole.length) / sole.length);
  const lever = distanceVec(level.heel, 0, level.ball, 0);
  const sourceLever = Math.hypot(...sourceSole.ball.map((x, k) => x - sourceSole.heel[k]!));
  const heelShare = Math.min(1, (plan.scale * sourceLever) / lever);
  if (toeShare === 1 && heelShare === 1) return;
  const turn = new Float64Array(4);
  const vec = new Float64Array(3);
  const heel = Float64Array.from(sole.heel);
  const ball = Float64Array.from(sole.ball);
  for (let f = 0; f < frameCount; f++) {
    rotateVec(vec, 0, feet, f * 4, heel, 0);
    let low = vec[1]!;
    rotateVec(vec, 0, feet, f * 4, ball, 0);
    low = (ankles[f * 3 + 1]! + Math.min(low, vec[1]!)) / limb.length;
    const u = Math.max(0, Math.min(1, (low - LIMIT_BELOW) / (LIMIT_ABOVE - LIMIT_BELOW)));
    const limit = 1 - u * u * (3 - 2 * u);
    if (limit === 0) continue;
    headingOf(vec, feet, f, level.undo, turn);
    const flat = Math.hypot(vec[0]!, vec[2]!);
    if (flat === 0) continue;
    const rise = Math.max(-1, Math.min(1, vec[1]!));
    const less = limit * (Math.asin(rise * (rise > 0 ? toeShare : heelShare)) - Math.asin(rise));
    // Forward × up is the axis about which the toe rises.
    axisAngleQuat(turn, 0, -vec[2]! / flat, 0, vec[0]! / flat, less);
    mulQuat(feet, f * 4, turn, 0, feet, f * 4);
  }
}

/** Out-vector of a foot's heading: x, rise, z of the level foot's forward direction in frame `f`. */
function headingOf(out: Float64Array, feet: Float64Array, f: number, undo: Float64Array, scratch: Float64Array): void {
  mulQuat(scratch, 0, feet, f * 4, undo, 0);
  rotateVec(out, 0, scratch, 0, FORWARD, 0);
}

/**
 * A foot that rests on its ball alone has its heel up, one that rests on its heel alone its toes: a pitch to the other side
 * would push the free end through the floor, and is taken out.
 */
function clampPitch(
  plan: RetargetPlan,
  leg: LegTrack,
  rests: readonly Rest[],
  sole: Sole,
  ramp: number,
  frameCount: number,
): void {
  const { feet, limb } = leg;
  if (limb.dstEnd < 0) return;
  const { undo } = levelFoot(plan, limb, sole);
  const resting = new Uint8Array(frameCount);
  for (const { point, span } of rests)
    for (let f = span.first; f <= span.last; f++) resting[f]! |= point === 'heel' ? 1 : 2;
  const turns = new Float64Array(frameCount * 3);
  const turn = new Float64Array(4);
  const ahead = new Float64Array(3);
  const spans: FrameSpan[] = [];
  for (let f = 0; f < frameCount; f++) {
    if (resting[f] !== 1 && resting[f] !== 2) continue;
    headingOf(ahead, feet, f, undo, turn);
    const flat = Math.hypot(ahead[0]!, ahead[2]!);
    if (flat === 0 || ahead[1]! < 0 === (resting[f] === 2)) continue;
    const less = -Math.atan2(ahead[1]!, flat);
    turns[f * 3] = (-ahead[2]! / flat) * less;
    turns[f * 3 + 2] = (ahead[0]! / flat) * less;
    const before = spans[spans.length - 1];
    if (before && f === before.last + 1) before.last = f;
    else spans.push({ first: f, last: f });
  }
  if (spans.length === 0) return;
  fadeOutside(turns, spans, frameCount, ramp);
  for (let f = 0; f < frameCount; f++) {
    quatOfRotationVector(turn, 0, turns, f * 3);
    mulQuat(feet, f * 4, turn, 0, feet, f * 4);
  }
}

const FORWARD = Float64Array.of(0, 0, 1);

/** Frames in which anything of the foot rests, as disjoint spans. */
function mergedSpans(rests: readonly Rest[]): FrameSpan[] {
  const spans: FrameSpan[] = [];
  for (const { span } of rests) {
    const before = spans[spans.length - 1];
    if (before && span.first <= before.last + 1) before.last = Math.max(before.last, span.last);
    else spans.push({ ...span });
  }
  return spans;
}

/**
 * Fills the targets of one leg and returns the displacement of its ankle against the plain retarget, frames × 3.
 */
function plantLeg(
  plan: RetargetPlan,
  leg: LegTrack,
  rests: Rest[],
  sole: Sole,
  ramp: number,
  targets: LimbTargets,
  frameCount: number,
): Float64Array {
  const { ankles, feet, toes, limb } = leg;
  const level = levelFoot(plan, limb, sole);
  const turns = new Float64Array(frameCount * 3);
  const offsets = new Float64Array(frameCount * 3);
  const rotation = new Float64Array(4);
  const vec = new Float64Array(3);

  // Flat phases first: they decide the heading, and how heel and ball spots lie to each other.
  const flats = overlaps(rests);
  const canTurn = limb.dstEnd >= 0;
  for (const flat of flats) {
    flat.heading = meanHeading(feet, level.undo, flat.span);
    if (!canTurn) continue;
    for (let f = flat.span.first; f <= flat.span.last; f++)
      turnToLevel(turns, f, feet, level.posture, flat.heading, rotation);
  }
  fadeOutside(turns, canTurn ? flats.map((flat) => flat.span) : [], frameCount, ramp);

  const turned = new Float64Array(frameCount * 4);
  for (let f = 0; f < frameCount; f++) {
    quatOfRotationVector(rotation, 0, turns, f * 3);
    mulQuat(turned, f * 4, rotation, 0, feet, f * 4);
  }

  chainRests(rests, flats, level.stride);
  placeChains(rests, turned, ankles, level);

  // In contact the ankle follows from the pivot; a frame with both has either, they agree.
  const stands = mergedSpans(rests);
  for (const rest of rests) {
    const pivot = rest.point === 'heel' ? level.heel : level.ball;
    for (let f = rest.span.first; f <= rest.span.last; f++) {
      rotateVec(vec, 0, turned, f * 4, pivot, 0);
      for (let k = 0; k < 3; k++) offsets[f * 3 + k] = rest.spot[k]! - vec[k]! - ankles[f * 3 + k]!;
    }
  }
  fadeOutside(offsets, stands, frameCount, ramp);

  const turnedToes = level.rollsOverToes
    ? levelToes(plan, limb, level, rests, turns, turned, toes, ramp, frameCount)
    : canTurn && limb.dstToes >= 0
      ? stiffToes(plan, limb, turned, frameCount)
      : null;
  const toePoints = pointsOfFoot(plan, limb, level, sole);
  clearFloor(ankles, offsets, turned, turnedToes, toePoints, stands, CLEARANCE * limb.length, frameCount);

  for (let f = 0; f < frameCount; f++) {
    const at = (f * 4 + limb.limb) * 3;
    for (let k = 0; k < 3; k++) targets.positions[at + k] = ankles[f * 3 + k]! + offsets[f * 3 + k]!;
    targets.positionWeights[f * 4 + limb.limb] = 1;
    if (!canTurn) continue;
    copyQuat(targets.rotations, (f * 4 + limb.limb) * 4, turned, f * 4);
    targets.rotationWeights[f * 4 + limb.limb] = 1;
    if (turnedToes === null) continue;
    copyQuat(targets.toeRotations, (f * 2 + limb.limb) * 4, turnedToes, f * 4);
    targets.toeWeights[f * 2 + limb.limb] = 1;
  }
  return offsets;
}

/** Toes that are no toes keep their place on the foot. Returns world rotations, frames × 4. */
function stiffToes(plan: RetargetPlan, limb: LimbPlan, feet: Float64Array, frameCount: number): Float64Array {
  const toes = new Float64Array(frameCount * 4);
  for (let f = 0; f < frameCount; f++) mulQuat(toes, f * 4, feet, f * 4, plan.restRotations, limb.dstToes * 4);
  return toes;
}

/**
 * Toes: level while the ball rests, so that the foot rolls over it; elsewhere as the performer has them.
 * @returns world rotations, frames × 4
 */
function levelToes(
  plan: RetargetPlan,
  limb: LimbPlan,
  level: LevelFoot,
  rests: readonly Rest[],
  footTurns: Float64Array,
  feet: Float64Array,
  toes: Float64Array,
  ramp: number,
  frameCount: number,
): Float64Array {
  const posture = plan.target.alignment.posture.slice(limb.dstToes * 4, limb.dstToes * 4 + 4);
  mulQuat(posture, 0, level.turn, 0, posture, 0);
  const rotation = new Float64Array(4);
  const turned = new Float64Array(frameCount * 4);
  for (let f = 0; f < frameCount; f++) {
    quatOfRotationVector(rotation, 0, footTurns, f * 3);
    mulQuat(turned, f * 4, rotation, 0, toes, f * 4);
  }
  const turns = new Float64Array(frameCount * 3);
  const spans = rests.filter((rest) => rest.point === 'ball').map((rest) => rest.span);
  for (const span of spans) {
    for (let f = span.first; f <= span.last; f++) {
      const heading = meanHeading(feet, level.undo, { first: f, last: f });
      turnToLevel(turns, f, turned, posture, heading, rotation);
    }
  }
  fadeOutside(turns, spans, frameCount, ramp);
  for (let f = 0; f < frameCount; f++) {
    quatOfRotationVector(rotation, 0, turns, f * 3);
    mulQuat(turned, f * 4, rotation, 0, turned, f * 4);
  }
  return turned;
}

/** Points of a foot that must stay above the floor: from the ankle in the foot's frame, and the toe tip from the toes joint. */
interface FootPoints {
  heel: Float64Array;
  ball: Float64Array;
  toesJoint: Float64Array | null;
  toeTip: Float64Array | null;
}

function pointsOfFoot(plan: RetargetPlan, limb: LimbPlan, level: LevelFoot, sole: Sole): FootPoints {
  if (limb.dstToes < 0 || sole.toeTipInToes === null)
    return { heel: level.heel, ball: level.ball, toesJoint: null, toeTip: null };
  const at = limb.dstToes * 3;
  return {
    heel: level.heel,
    ball: Float64Array.from(sole.ball),
    toesJoint: plan.restOffsets.slice(at, at + 3),
    toeTip: Float64Array.from(sole.toeTipInToes),
  };
}

/** A swinging foot that comes nearer to the floor than this is led over it: share of the leg length. */
const CLEARANCE = 0.008;
/** Frames over which that distance opens after a contact; in contact it is zero, there the foot is on the floor. */
const CLEARANCE_RAMP = 6;

/**
 * Lifts a swinging foot whose lowest point would go through the floor: below the clearance m its height y becomes
 * (y + m)² / 4m, which meets y at m and the floor at −m with equal slope.
 */
function clearFloor(
  ankles: Float64Array,
  offsets: Float64Array,
  feet: Float64Array,
  toes: Float64Array | null,
  points: FootPoints,
  stands: readonly FrameSpan[],
  clearance: number,
  frameCount: number,
): void {
  const vec = new Float64Array(3);
  const tip = new Float64Array(3);
  let next = 0;
  for (let f = 0; f < frameCount; f++) {
    while (next < stands.length && stands[next]!.last < f) next++;
    if (next < stands.length && stands[next]!.first <= f) continue;
    const since = next > 0 ? f - stands[next - 1]!.last : CLEARANCE_RAMP;
    const until = next < stands.length ? stands[next]!.first - f : CLEARANCE_RAMP;
    rotateVec(vec, 0, feet, f * 4, points.heel, 0);
    let low = vec[1]!;
    rotateVec(vec, 0, feet, f * 4, points.ball, 0);
    low = Math.min(low, vec[1]!);
    if (toes !== null && points.toesJoint !== null && points.toeTip !== null) {
      rotateVec(vec, 0, feet, f * 4, points.toesJoint, 0);
      rotateVec(tip, 0, toes, f * 4, points.toeTip, 0);
      low = Math.min(low, vec[1]! + tip[1]!);
    }
    const y = ankles[f * 3 + 1]! + offsets[f * 3 + 1]! + low;
    const m = clearance * Math.min(1, Math.min(since, until) / CLEARANCE_RAMP);
    if (y >= m) continue;
    offsets[f * 3 + 1]! += (y <= -m ? 0 : ((y + m) * (y + m)) / (4 * m)) - y;
  }
}

/** The target's foot standing level, heading +Z. */
interface LevelFoot {
  /** World rotation of the foot joint. */
  posture: Float64Array;
  undo: Float64Array;
  /** Turn that brought the measured sole level: the toes take it too. */
  turn: Float64Array;
  /** Pivots from the ankle, in the frame of the foot joint: the heel on the floor, and the toes joint above it. */
  heel: Float64Array;
  ball: Float64Array;
  /** Height of the ball pivot while the foot is level, metres. */
  ballHeight: number;
  rollsOverToes: boolean;
  /** From heel spot to ball spot on the floor, heading +Z: x and z. */
  stride: [number, number];
}

/**
 * Toes that lie on the floor hold their joint where it is: the foot pivots about that joint, not about the sole below it,
 * or the toes would slide by the joint's height. A foot without toes, or with a toes joint that is not near
 * the ball (some rigs have it below the ankle), is stiff and rolls over its front edge.
 * Heel and ball of the sole are both put on the floor, which takes out what is left of tilt against the joints.
 */
function levelFoot(plan: RetargetPlan, limb: LimbPlan, sole: Sole): LevelFoot {
  const joint = limb.dstEnd >= 0 ? limb.dstEnd : limb.dstLower;
  const heel = Float64Array.from(sole.heel);
  const rollsOverToes = toesAtBall(plan, limb, sole);
  const ball = Float64Array.from(rollsOverToes ? sole.ball : sole.toeTip);
  if (limb.dstEnd < 0) {
    const ends = plan.target.alignment.limbEnds;
    for (let k = 0; k < 3; k++) {
      heel[k]! -= ends[limb.limb * 3 + k]!;
      ball[k]! -= ends[limb.limb * 3 + k]!;
    }
  }
  const posture = plan.target.alignment.posture.slice(joint * 4, joint * 4 + 4);
  const stride = new Float64Array(3);
  for (let k = 0; k < 3; k++) stride[k] = ball[k]! - heel[k]!;
  rotateVec(stride, 0, posture, 0, stride, 0);
  const level = Math.hypot(stride[0]!, stride[2]!);
  const length = Math.hypot(level, stride[1]!);
  const turn = Float64Array.of(0, 0, 0, 1);
  if (level > 0.2 * length) {
    // Turns the stride onto the floor about the level axis square to it: (−z, 0, x) lowers what points up.
    const tilt = Math.atan2(stride[1]!, level);
    axisAngleQuat(turn, 0, -stride[2]! / level, 0, stride[0]! / level, -tilt);
    mulQuat(posture, 0, turn, 0, posture, 0);
  }
  if (rollsOverToes) ball.set(plan.restOffsets.subarray(limb.dstToes * 3, limb.dstToes * 3 + 3));
  for (let k = 0; k < 3; k++) stride[k] = ball[k]! - heel[k]!;
  rotateVec(stride, 0, posture, 0, stride, 0);
  const undo = new Float64Array(4);
  invertQuat(undo, 0, posture, 0);
  const ballHeight = rollsOverToes ? stride[1]! : 0;
  return { posture, undo, turn, heel, ball, ballHeight, rollsOverToes, stride: [stride[0]!, stride[2]!] };
}

/** Farthest that a toes joint may lie from the ball and still be one, along the foot: share of the foot's length. */
const TOES_OFF_BALL = 0.2;

function toesAtBall(plan: RetargetPlan, limb: LimbPlan, sole: Sole): boolean {
  if (limb.dstEnd < 0 || limb.dstToes < 0 || sole.toesJoint !== limb.dstToes) return false;
  let along = 0;
  for (let k = 0; k < 3; k++) {
    along += (plan.restOffsets[limb.dstToes * 3 + k]! - sole.ball[k]!) * (sole.toeTip[k]! - sole.heel[k]!);
  }
  return Math.abs(along) < TOES_OFF_BALL * sole.length * sole.length;
}

interface Flat {
  heel: Rest;
  ball: Rest;
  span: FrameSpan;
  heading: number;
}

/** Frames in which a heel and a ball contact hold together, in order. */
function overlaps(rests: readonly Rest[]): Flat[] {
  const flats: Flat[] = [];
  for (const heel of rests) {
    if (heel.point !== 'heel') continue;
    for (const ball of rests) {
      if (ball.point !== 'ball') continue;
      const first = Math.max(heel.span.first, ball.span.first);
      const last = Math.min(heel.span.last, ball.span.last);
      if (first <= last) flats.push({ heel, ball, span: { first, last }, heading: 0 });
    }
  }
  return flats.sort((a, b) => a.span.first - b.span.first);
}

/** Heading of a foot about +Y, 0 along +Z, of D = foot · posture⁻¹: mean direction over a span. */
function meanHeading(feet: Float64Array, undo: Float64Array, span: FrameSpan): number {
  const turn = new Float64Array(4);
  const ahead = new Float64Array(3);
  let x = 0;
  let z = 0;
  for (let f = span.first; f <= span.last; f++) {
    headingOf(ahead, feet, f, undo, turn);
    x += ahead[0]!;
    z += ahead[2]!;
  }
  return Math.atan2(x, z);
}

/** The turn that brings the foot of frame `f` level and onto its heading, as a rotation vector in `turns`. */
function turnToLevel(
  turns: Float64Array,
  f: number,
  feet: Float64Array,
  posture: Float64Array,
  heading: number,
  scratch: Float64Array,
): void {
  const inverse = new Float64Array(4);
  axisAngleQuat(scratch, 0, 0, 1, 0, heading);
  mulQuat(scratch, 0, scratch, 0, posture, 0);
  invertQuat(inverse, 0, feet, f * 4);
  mulQuat(scratch, 0, scratch, 0, inverse, 0);
  rotationVector(turns, f * 3, scratch, 0);
}

/**
 * Rests that are flat together share one placement: heel and ball spots lie a foot apart in the flat phase's heading.
 * Contacts of one kind never overlap, so the links form chains in time and each rest gets one offset from its chain.
 */
function chainRests(rests: Rest[], flats: readonly Flat[], stride: readonly [number, number]): void {
  let chains = 0;
  for (const rest of rests) {
    if (rest.chain < 0) {
      rest.chain = chains++;
      rest.offset = [0, 0];
    }
    for (const { heel, ball, heading } of flats) {
      const s = Math.sin(heading);
      const c = Math.cos(heading);
      const x = c * stride[0] + s * stride[1];
      const z = -s * stride[0] + c * stride[1];
      if (heel === rest && ball.chain < 0) {
        ball.chain = rest.chain;
        ball.offset = [rest.offset[0] + x, rest.offset[1] + z];
      } else if (ball === rest && heel.chain < 0) {
        heel.chain = rest.chain;
        heel.offset = [rest.offset[0] - x, rest.offset[1] - z];
      }
    }
  }
}

/** Puts each chain where the plain retarget has its points on average, on the floor: least is moved. */
function placeChains(rests: Rest[], turned: Float64Array, ankles: Float64Array, level: LevelFoot): void {
  const chains = new Set(rests.map((rest) => rest.chain));
  const vec = new Float64Array(3);
  for (const chain of chains) {
    const members = rests.filter((rest) => rest.chain === chain);
    let x = 0;
    let z = 0;
    let count = 0;
    for (const { point, span, offset } of members) {
      const pivot = point === 'heel' ? level.heel : level.ball;
      for (let f = span.first; f <= span.last; f++) {
        rotateVec(vec, 0, turned, f * 4, pivot, 0);
        x += ankles[f * 3]! + vec[0]! - offset[0];
        z += ankles[f * 3 + 2]! + vec[2]! - offset[1];
        count++;
      }
    }
    for (const member of members) {
      const height = member.point === 'ball' ? level.ballHeight : 0;
      member.spot = [x / count + member.offset[0], height, z / count + member.offset[1]];
    }
  }
}

function reachOf(
  leg: LegTrack,
  offsets: Float64Array,
  targets: LimbTargets,
  reach: number,
  frameCount: number,
): ReachLeg {
  const goals = new Float64Array(frameCount * 3);
  const reaches = new Float64Array(frameCount);
  for (let f = 0; f < frameCount; f++) {
    const at = (f * 4 + leg.limb.limb) * 3;
    for (let k = 0; k < 3; k++) goals[f * 3 + k] = targets.positions[at + k]!;
    reaches[f] = Math.max(leg.naturals[f]!, reach * leg.limb.length);
  }
  return { hips: leg.hips, goals, offsets, reaches };
}
