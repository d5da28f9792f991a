/**
 * Legs whose knee rests on the floor. The knee's skin stays on one spot, the shin lies back from it as the performer's does,
 * and the pelvis stands on the knee by the length of the thigh; no plant of the foot is asked for, since a foot behind a
 * lying shin is where the shin puts it.
 *
 * Feet and shins differ in length, so shin and foot cannot both keep their slope. The foot may be turned at its ankle, by one
 * angle a rest so that it does not flutter, where that keeps the shin's slope and the ankle in its range; then the shin
 * rises or sinks until the foot lies on the floor, or as high over it as the performer's, scaled.
 */
import { axisAngleQuat, copyQuat, invertQuat, mulQuat, slerpQuat } from '../math/quat.ts';
import { addVec, copyVec, lerpVec, normalizeVec, subVec } from '../math/vec.ts';
import type { LimbTargets } from '../retarget/limb-targets.ts';
import type { LimbPlan, RetargetPlan } from '../retarget/plan.ts';
import type { Clip } from '../skeleton/clip.ts';
import { createPartialPose, readPartialPose } from '../skeleton/partial-pose.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';
import { CLEARANCE, clearOf } from './ankle-path.ts';
import { clearToes, pitchTurn, type Timing } from './foot-turns.ts';
import { type FrameSpan, fadeOutside, weightNear } from './hold.ts';
import type { LegTrack } from './leg-track.ts';
import { type Attitude, attitudeOf, type LevelFoot, supportHeight } from './level-foot.ts';
import type { SourceKnee } from './low-rests.ts';
import { type KneeSkin, kneeThickness } from './low-skin.ts';
import { quantile } from './motion.ts';
import type { ReachLeg } from './reach-leg.ts';
import { pointTrajectories, type Sole } from './sole.ts';

/** A leg that kneels, frame-major, world space, before the pelvis shift. */
export interface Kneel {
  leg: LegTrack;
  spans: readonly FrameSpan[];
  /** 1 while the knee rests; falls to 0 within the ramp. */
  weights: Float64Array;
  knees: Float64Array;
  /** How far the knee is moved from where the performer's thigh has it, frames × 3. */
  offsets: Float64Array;
  ankles: Float64Array;
  feet: Float64Array;
  toes: Float64Array | null;
  thigh: number;
  /** The nearest that the ankle may come to the hip, a frame, metres. */
  nearest: Float64Array;
}

const DEGREE = Math.PI / 180;
/** Getting down on a knee takes longer than a step: so many ramps of a foot. */
const RAMP = 2.5;
/** Angles by which a foot may be turned at its ankle, and what an ankle does without being forced (AAOS, rounded up). */
const TURN_STEP = 5 * DEGREE;
const TURN_MAX = 90 * DEGREE;
const DORSIFLEXION = 25 * DEGREE;
const PLANTARFLEXION = 50 * DEGREE;
/** Knees fold to 150 degrees (active flexion is some 140: Soucie et al. 2011), or as far as the performer's. */
const FLEXION = 150 * DEGREE;
/** What leaves its range counts so many times as much as what is turned. */
const FORCED = 6;
/** An ankle whose foot lies on its instep is so high over it: share of its height over the sole (common practice, no source). */
const INSTEP = 0.4;
/** A foot that is lower than this over the floor (share of the performer's leg) lies on it. */
const LYING = 0.03;
/** A knee that is farther than this (share of thigh and shin) from where it mostly is slides. */
const SLIDE = 0.015;
/** Slopes of a shin on the floor. */
const STEEPEST = Math.sin(75 * DEGREE);
const LOWEST = Math.sin(-20 * DEGREE);
/** A shin that is steeper than this (its level share) has no heading to turn about. */
const UPRIGHT = 0.25;

/** What a kneeling performer does, frames × 3 and frames × 4. */
interface SourceShin {
  /** From knee to ankle and from knee to hip, unit. */
  shins: Float64Array;
  thighs: Float64Array;
  /** World rotations of the joints of shin and thigh. */
  rotations: Float64Array;
  thighRotations: Float64Array;
  /** Height of the lowest point of the foot, metres. */
  gaps: Float64Array;
}

export function kneelLeg(
  plan: RetargetPlan,
  clip: Clip,
  leg: LegTrack,
  level: LevelFoot,
  { hips, knees, spans }: SourceKnee,
  sourceSole: Sole,
  sole: Sole,
  skin: KneeSkin,
  { ramp, edge }: Timing,
): Kneel {
  const timing: Timing = { ramp: Math.round(RAMP * ramp), edge };
  const { frameCount } = clip;
  const { limb } = leg;
  const [thigh, shin] = lengthsOf(plan, limb);
  const source = sourceShin(plan, clip, limb, hips, knees, sourceSole);
  const weights = new Float64Array(frameCount);
  weightNear(weights, spans, timing.ramp);
  const own: Kneel = {
    leg,
    spans,
    weights,
    knees: new Float64Array(frameCount * 3),
    offsets: new Float64Array(frameCount * 3),
    ankles: new Float64Array(frameCount * 3),
    feet: leg.feet.slice(),
    toes: limb.dstToes >= 0 ? leg.toes.slice() : null,
    thigh,
    nearest: source.shins.length > 0 ? nearestOf(source, thigh, shin) : new Float64Array(frameCount),
  };
  for (let at = 0; at < frameCount * 3; at += 3) {
    for (let k = 0; k < 3; k++) own.knees[at + k] = leg.hips[at + k]! - thigh * source.thighs[at + k]!;
  }
  const lying = new Lying(plan, limb, level, sole, skin, source, shin);
  const turns = new Float64Array(frameCount * 3);
  if (limb.dstEnd >= 0) {
    for (const span of spans) {
      const turn = lying.bestTurn(own.feet, Math.round((span.first + span.last) / 2));
      turns.fill(turn, span.first * 3, (span.last + 1) * 3);
    }
    fadeOutside(turns, spans, frameCount, timing.ramp, 1);
    for (let f = 0; f < frameCount; f++) lying.turnFoot(own.feet, own.toes, f, turns[f * 3]!);
  }
  settleKnees(own, lying, timing);
  return own;
}

/**
 * Puts the knees on their spots and the ankles behind them. A knee that slides into its place, or out of it, is on the floor
 * while it does, and on its spot after.
 */
function settleKnees(kneel: Kneel, lying: Lying, timing: Timing): void {
  const { knees, offsets, ankles, feet, spans, weights } = kneel;
  const frameCount = weights.length;
  const shinAt = new Float64Array(3);
  const heights = new Float64Array(frameCount * 3);
  for (const { first, last } of spans) {
    for (let f = first; f <= last; f++) heights[f * 3 + 1] = lying.settle(shinAt, feet, f, null) - knees[f * 3 + 1]!;
  }
  fadeOutside(heights, spans, frameCount, timing.ramp, timing.edge);
  const still = spans.map((span) => holdSpot(kneel, span));
  fadeOutside(offsets, still, frameCount, timing.ramp, timing.edge);
  for (let f = 0; f < frameCount; f++) {
    offsets[f * 3 + 1] = heights[f * 3 + 1]!;
    addVec(knees, f * 3, knees, f * 3, offsets, f * 3);
    if (weights[f] === 0) continue;
    lying.settle(shinAt, feet, f, knees[f * 3 + 1]!);
    addVec(ankles, f * 3, knees, f * 3, shinAt, 0);
  }
}

/** Leads a knee to the spot on which it mostly is; returns when it is there, without the ends in which it slides. */
function holdSpot({ knees, offsets, leg }: Kneel, { first, last }: FrameSpan): FrameSpan {
  const usual = (k: number): number => {
    const values = Float64Array.from({ length: last - first + 1 }, (_, i) => knees[(first + i) * 3 + k]!);
    return quantile(values, values.length, 0.5);
  };
  const [x, z] = [usual(0), usual(2)];
  const slides = (f: number): boolean => Math.hypot(knees[f * 3]! - x, knees[f * 3 + 2]! - z) > SLIDE * leg.limb.length;
  const still = { first, last };
  while (slides(still.first) && still.first < last) still.first++;
  while (slides(still.last) && still.last > still.first) still.last--;
  for (let f = still.first; f <= still.last; f++) {
    offsets[f * 3] = x - knees[f * 3]!;
    offsets[f * 3 + 2] = z - knees[f * 3 + 2]!;
  }
  return still;
}

/** How shin and foot of one leg lie, frame by frame. */
class Lying {
  private readonly attitude: Attitude = { x: 0, z: 1, pitch: 0 };
  private readonly turn = new Float64Array(4);
  private readonly rotation = new Float64Array(4);
  private readonly toShin = new Float64Array(4);
  private readonly thigh = new Float64Array(4);
  private readonly toThigh = new Float64Array(4);
  private readonly foot = new Float64Array(4);
  private readonly instep: number;

  constructor(
    private readonly plan: RetargetPlan,
    private readonly limb: LimbPlan,
    private readonly level: LevelFoot,
    sole: Sole,
    private readonly skin: KneeSkin,
    private readonly source: SourceShin,
    private readonly shin: number,
  ) {
    this.instep = INSTEP * sole.soleHeight;
    // The target's segments in the frames of the performer's: both from their canonical postures.
    const { source: performer, target } = plan;
    invertQuat(this.toShin, 0, performer.alignment.posture, limb.srcLower * 4);
    mulQuat(this.toShin, 0, this.toShin, 0, target.alignment.posture, limb.dstLower * 4);
    invertQuat(this.toThigh, 0, performer.alignment.posture, limb.srcUpper * 4);
    mulQuat(this.toThigh, 0, this.toThigh, 0, target.alignment.posture, limb.dstUpper * 4);
  }

  /** Turns the foot of a frame, toes up for positive angles. */
  turnFoot(feet: Float64Array, toes: Float64Array | null, f: number, angle: number): void {
    if (angle === 0) return;
    attitudeOf(this.attitude, feet, f, this.level.undo);
    pitchTurn(this.turn, this.attitude, angle);
    mulQuat(feet, f * 4, this.turn, 0, feet, f * 4);
    if (toes) mulQuat(toes, f * 4, this.turn, 0, toes, f * 4);
  }

  /**
   * From the knee to the ankle, metres, when the foot lies as it should; returns the thickness of the knee.
   * @param knee  height of the knee's joint; null: with its skin on the floor
   */
  settle(out: Float64Array, feet: Float64Array, f: number, knee: number | null): number {
    const { shins, rotations, thighRotations } = this.source;
    copyVec(out, 0, shins, f * 3);
    const flat = Math.hypot(out[0]!, out[2]!);
    const own = out[1]!;
    mulQuat(this.thigh, 0, thighRotations, f * 4, this.toThigh, 0);
    mulQuat(this.rotation, 0, rotations, f * 4, this.toShin, 0);
    let thickness = kneeThickness(this.skin, this.thigh, 0, this.rotation, 0);
    if (flat > UPRIGHT && this.limb.dstEnd >= 0) {
      const [x, z] = [out[0]! / flat, out[2]! / flat];
      const slope = Math.asin(own);
      // The thickness depends on the slope and the slope on the thickness: twice is enough for knees, which are round.
      for (let i = 0; i < 2; i++) {
        const wanted = this.ankleHeight(feet, f) - (knee ?? thickness);
        const angle = Math.asin(Math.max(LOWEST, Math.min(STEEPEST, wanted / this.shin)));
        const share = Math.min(1, (flat - UPRIGHT) / UPRIGHT);
        const settled = slope + share * (angle - slope);
        out[0] = x * Math.cos(settled);
        out[1] = Math.sin(settled);
        out[2] = z * Math.cos(settled);
        axisAngleQuat(this.turn, 0, -z, 0, x, settled - slope);
        mulQuat(this.rotation, 0, rotations, f * 4, this.toShin, 0);
        mulQuat(this.rotation, 0, this.turn, 0, this.rotation, 0);
        thickness = kneeThickness(this.skin, this.thigh, 0, this.rotation, 0);
      }
    }
    for (let k = 0; k < 3; k++) out[k]! *= this.shin;
    return thickness;
  }

  /** Height of the ankle at which the foot is as high over the floor as the performer's, scaled. */
  private ankleHeight(feet: Float64Array, f: number): number {
    const gap = Math.max(0, this.source.gaps[f]!) * this.plan.scale;
    return gap + Math.max(this.instep, supportHeight(this.level, feet, f));
  }

  /** The turn of the foot that costs least: it, the change of the shin's slope, and ankle and knee out of their ranges. */
  bestTurn(feet: Float64Array, f: number): number {
    const { shins, thighs } = this.source;
    const shinAt = new Float64Array(3);
    copyQuat(this.foot, 0, feet, f * 4);
    attitudeOf(this.attitude, this.foot, 0, this.level.undo);
    const { pitch } = this.attitude;
    const slope = Math.asin(shins[f * 3 + 1]!);
    const flexionOf = (s: Float64Array, at: number, length: number): number => {
      let cosine = 0;
      for (let k = 0; k < 3; k++) cosine -= (s[at + k]! / length) * thighs[f * 3 + k]!;
      return Math.acos(Math.max(-1, Math.min(1, cosine)));
    };
    // A shin that lies level has its foot, at rest, straight down.
    const ankleOf = (foot: number, shin: number) => foot + shin + Math.PI / 2;
    const most = Math.max(DORSIFLEXION, ankleOf(pitch, slope));
    const least = Math.min(-PLANTARFLEXION, ankleOf(pitch, slope));
    const folded = Math.max(FLEXION, flexionOf(shins, f * 3, 1));
    let best = 0;
    let cheapest = Number.POSITIVE_INFINITY;
    const trial = feet.slice(f * 4, f * 4 + 4);
    const single = feet.slice();
    for (let turn = -TURN_MAX; turn <= TURN_MAX + 1e-9; turn += TURN_STEP) {
      copyQuat(single, f * 4, trial, 0);
      this.turnFoot(single, null, f, turn);
      this.settle(shinAt, single, f, null);
      const shin = Math.asin(shinAt[1]! / this.shin);
      const ankle = ankleOf(pitch + turn, shin);
      const forced =
        Math.max(0, ankle - most, least - ankle) ** 2 + Math.max(0, flexionOf(shinAt, 0, this.shin) - folded) ** 2;
      const cost = turn * turn + (shin - slope) ** 2 + FORCED * forced;
      if (cost < cheapest - 1e-12) [cheapest, best] = [cost, turn];
    }
    return Math.abs(best) < TURN_STEP / 2 ? 0 : best;
  }
}

function lengthsOf({ target }: RetargetPlan, { limb }: LimbPlan): [number, number] {
  const { limbLengths } = target.alignment;
  return [limbLengths[limb * 2]!, limbLengths[limb * 2 + 1]!];
}

function sourceShin(
  plan: RetargetPlan,
  clip: Clip,
  limb: LimbPlan,
  hips: Float64Array,
  knees: Float64Array,
  sole: Sole,
): SourceShin {
  const { skeleton, alignment } = plan.source;
  const { frameCount } = clip;
  const end = limb.srcEnd >= 0 ? limb.srcEnd : limb.srcLower;
  const tip = limb.srcEnd >= 0 ? [0, 0, 0] : [...alignment.limbEnds.subarray(limb.limb * 3, limb.limb * 3 + 3)];
  const [ankles] = pointTrajectories(skeleton, clip, end, [tip as [number, number, number]]);
  const points = pointTrajectories(skeleton, clip, sole.joint, [
    sole.rear,
    sole.heel,
    sole.ball,
    sole.front,
    sole.toeTip,
  ]);
  const lengths = alignment.limbLengths;
  const lying = LYING * (lengths[limb.limb * 2]! + lengths[limb.limb * 2 + 1]!);
  const source: SourceShin = {
    shins: new Float64Array(frameCount * 3),
    thighs: new Float64Array(frameCount * 3),
    rotations: turnsOf(skeleton, clip, limb.srcLower),
    thighRotations: turnsOf(skeleton, clip, limb.srcUpper),
    gaps: new Float64Array(frameCount),
  };
  for (let f = 0; f < frameCount; f++) {
    const at = f * 3;
    subVec(source.shins, at, ankles!, at, knees, at);
    normalizeVec(source.shins, at);
    subVec(source.thighs, at, hips, at, knees, at);
    normalizeVec(source.thighs, at);
    source.gaps[f] = Math.min(...points.map((point) => point[at + 1]!)) - lying;
  }
  return source;
}

/** World rotations of a joint, frames × 4. */
function turnsOf(skeleton: Skeleton, clip: Clip, joint: number): Float64Array {
  const turns = new Float64Array(clip.frameCount * 4);
  const partial = createPartialPose(skeleton, clip, [joint]);
  for (let f = 0; f < clip.frameCount; f++) copyQuat(turns, f * 4, readPartialPose(partial, f).rotations, joint * 4);
  return turns;
}

function nearestOf({ shins, thighs }: SourceShin, thigh: number, shin: number): Float64Array {
  return Float64Array.from({ length: shins.length / 3 }, (_, f) => {
    let cosine = 0;
    for (let k = 0; k < 3; k++) cosine += shins[f * 3 + k]! * thighs[f * 3 + k]!;
    const interior = Math.min(Math.PI - FLEXION, Math.acos(Math.max(-1, Math.min(1, cosine))));
    return Math.sqrt(thigh * thigh + shin * shin - 2 * thigh * shin * Math.cos(interior));
  });
}

/** What the knee asks of the pelvis: that the thigh spans from it to the hip. */
export function kneePin({ leg, knees, offsets, weights, thigh }: Kneel): ReachLeg {
  const whole = new Float64Array(weights.length).fill(thigh);
  return {
    hips: leg.hips,
    goals: knees,
    offsets,
    extensions: whole,
    reaches: whole,
    nearest: whole,
    held: weights,
    length: thigh,
  };
}

/** Leads the ankle of a kneeling leg where its shin puts it, as far as it kneels. */
export function reachKneeling(reach: ReachLeg, { ankles, weights, nearest }: Kneel): void {
  for (let f = 0; f < weights.length; f++) {
    const w = weights[f]!;
    if (w === 0) continue;
    lerpVec(reach.goals, f * 3, reach.goals, f * 3, ankles, f * 3, w);
    reach.held[f] = Math.max(w, reach.held[f]!);
    reach.nearest[f]! += w * (nearest[f]! - reach.nearest[f]!);
  }
}

/** Writes a kneeling leg's targets over those of its standing foot. */
export function fillKneeling(kneel: Kneel, level: LevelFoot, targets: LimbTargets): void {
  const { leg, weights, knees, ankles, feet } = kneel;
  const { limb, dstEnd } = leg.limb;
  const { rootShifts, positions, rotations, middles, middleWeights } = targets;
  const place = new Float64Array(3);
  for (let f = 0; f < weights.length; f++) {
    const w = weights[f]!;
    if (w === 0) continue;
    const at = f * 4 + limb;
    for (let k = 0; k < 3; k++) {
      place[k] = ankles[f * 3 + k]! + (1 - w) * rootShifts[f * 3 + k]!;
      middles[at * 3 + k] = knees[f * 3 + k]! + (1 - w) * rootShifts[f * 3 + k]!;
    }
    lerpVec(positions, at * 3, positions, at * 3, place, 0, w);
    middleWeights[at] = w;
    if (dstEnd < 0) continue;
    slerpQuat(rotations, at * 4, rotations, at * 4, feet, f * 4, w);
    // On its way between two attitudes a foot may point down: it is lifted as far as that asks.
    const least = supportHeight(level, rotations, at);
    const y = at * 3 + 1;
    positions[y] = least + clearOf(positions[y]! - least, CLEARANCE * leg.limb.length * (1 - w));
  }
  fillToes(kneel, level, targets);
}

/** Toes go along with the foot, and bend up where they would be in the floor. */
function fillToes({ leg, weights, toes: turned }: Kneel, level: LevelFoot, targets: LimbTargets): void {
  if (!turned) return;
  const toes = turned.slice();
  const { limb } = leg.limb;
  const { toeRotations, toeWeights } = targets;
  const frameCount = weights.length;
  const feet = new Float64Array(frameCount * 4);
  const heights = new Float64Array(frameCount);
  for (let f = 0; f < frameCount; f++) {
    const at = f * 4 + limb;
    const toe = (f * 2 + limb) * 4;
    copyQuat(feet, f * 4, targets.rotations, at * 4);
    heights[f] = targets.positions[at * 3 + 1]!;
    if (toeWeights[f * 2 + limb] === 0) continue;
    slerpQuat(toes, f * 4, toeRotations, toe, toes, f * 4, weights[f]!);
  }
  // Toes of a foot that stands or swings have their clearance already.
  const grounded = new Float64Array(frameCount).fill(1);
  if (level.toeEnd) clearToes(toes, feet, heights, new Float64Array(frameCount), grounded, level);
  for (let f = 0; f < frameCount; f++) {
    if (weights[f] === 0) continue;
    copyQuat(toeRotations, (f * 2 + limb) * 4, toes, f * 4);
    toeWeights[f * 2 + limb] = 1;
  }
}
