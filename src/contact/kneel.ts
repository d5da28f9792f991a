/**
 * Legs whose knee rests on the floor. The knee's skin stays on one spot, the shin lies back from it as the performer's does,
 * and the pelvis stands on the knee by the length of the thigh; no plant of the foot is asked for, since a foot behind a
 * lying shin is where the shin puts it.
 *
 * Feet and shins differ in length, so shin and foot cannot both keep their slope. The foot may be turned at its ankle, by one
 * angle a rest so that it does not flutter, where that keeps the shin's slope and the ankle in its range; then the shin
 * rises or sinks until the foot lies on the floor, or as high over it as the performer's, scaled.
 */
import { copyQuat, mulInverseQuat, mulQuat, slerpQuat } from '../math/quat.ts';
import { addVec, lerpVec } from '../math/vec.ts';
import type { LimbTargets } from '../retarget/limb-targets.ts';
import type { LimbPlan, RetargetPlan } from '../retarget/plan.ts';
import type { Clip } from '../skeleton/clip.ts';
import { CLEARANCE, clearOf } from './ankle-path.ts';
import type { Timing } from './foot-turns.ts';
import { type FrameSpan, fadeOutside, weightNear } from './hold.ts';
import type { LegTrack } from './leg-track.ts';
import { type LevelFoot, supportHeight } from './level-foot.ts';
import type { SourceKnee } from './low-rests.ts';
import type { KneeSkin } from './low-skin.ts';
import { Lying, nearestOf, sourceShin, tipToe } from './lying-shin.ts';
import { quantile } from './motion.ts';
import type { ReachLeg } from './reach-leg.ts';
import type { Sole } from './sole.ts';
import { clearToes } from './toe-clearance.ts';

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
  /** 1 in frames that belong to a rest with toes that point back; and the foot as it meets the floor then. */
  pointed: Uint8Array;
  tipToe: LevelFoot;
  thigh: number;
  /** The nearest that the ankle may come to the hip, a frame, metres. */
  nearest: Float64Array;
}

/** Getting down on a knee takes longer than a step: so many ramps of a foot. */
const RAMP = 2.5;
/** From this weight on, toes that point back are straight. */
const TIP_TOE = 0.4;
/** A knee that is farther than this (share of thigh and shin) from where it mostly is slides. */
const SLIDE = 0.015;
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
    pointed: new Uint8Array(frameCount),
    tipToe: tipToe(level),
    thigh,
    nearest: source.shins.length > 0 ? nearestOf(source, thigh, shin) : new Float64Array(frameCount),
  };
  for (let at = 0; at < frameCount * 3; at += 3) {
    for (let k = 0; k < 3; k++) own.knees[at + k] = leg.hips[at + k]! - thigh * source.thighs[at + k]!;
  }
  const lying = new Lying(plan, limb, level, own.tipToe, sole, skin, source, own.pointed, shin);
  const turns = new Float64Array(frameCount * 3);
  if (limb.dstEnd >= 0) {
    spans.forEach(({ first, last }, i) => {
      const { turn, pointed } = lying.bestTurn(own.feet, Math.round((first + last) / 2));
      turns.fill(turn, first * 3, (last + 1) * 3);
      const from = i > 0 ? (spans[i - 1]!.last + first) >> 1 : 0;
      const to = i + 1 < spans.length ? (last + spans[i + 1]!.first) >> 1 : frameCount;
      own.pointed.fill(pointed ? 1 : 0, from, to);
    });
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

function lengthsOf({ target }: RetargetPlan, { limb }: LimbPlan): [number, number] {
  const { limbLengths } = target.alignment;
  return [limbLengths[limb * 2]!, limbLengths[limb * 2 + 1]!];
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
    const least = supportHeight(level, rotations, at) + tipShare(w) * tipLift(kneel, level, rotations, f, at);
    const y = at * 3 + 1;
    positions[y] = least + clearOf(positions[y]! - least, CLEARANCE * leg.limb.length * (1 - w));
  }
  fillToes(kneel, level, targets);
}

/** Toes that will point back are straight and clear of the floor before the foot is halfway down, or they would flip. */
function tipShare(weight: number): number {
  const u = Math.min(1, weight / TIP_TOE);
  return u * u * (3 - 2 * u);
}

/** How much higher than otherwise the ankle has to be in frame `f` for toes that point back. */
function tipLift({ pointed, tipToe }: Kneel, level: LevelFoot, rotations: Float64Array, f: number, at: number): number {
  return pointed[f] ? supportHeight(tipToe, rotations, at) - supportHeight(level, rotations, at) : 0;
}

/** Toes go along with the foot, and bend up where they would be in the floor. */
function fillToes(
  { leg, weights, feet: own, toes: turned, pointed }: Kneel,
  level: LevelFoot,
  targets: LimbTargets,
): void {
  if (!turned) return;
  const toes = turned.slice();
  const { limb } = leg.limb;
  const { toeRotations, toeWeights } = targets;
  const frameCount = weights.length;
  const feet = new Float64Array(frameCount * 4);
  const heights = new Float64Array(frameCount);
  const turn = new Float64Array(4);
  for (let f = 0; f < frameCount; f++) {
    const at = f * 4 + limb;
    const toe = (f * 2 + limb) * 4;
    copyQuat(feet, f * 4, targets.rotations, at * 4);
    heights[f] = targets.positions[at * 3 + 1]!;
    if (pointed[f]) {
      // Straight on the foot as it is on its way, not on the foot as it will lie.
      mulInverseQuat(turn, 0, own, f * 4, toes, f * 4);
      mulQuat(toes, f * 4, feet, f * 4, turn, 0);
    }
    if (toeWeights[f * 2 + limb] === 0) continue;
    slerpQuat(toes, f * 4, toeRotations, toe, toes, f * 4, pointed[f] ? tipShare(weights[f]!) : weights[f]!);
  }
  // Toes of a foot that stands or swings have their clearance already.
  const grounded = new Float64Array(frameCount).fill(1);
  if (level.toeEnd) clearToes(toes, feet, heights, new Float64Array(frameCount), grounded, level, null, pointed);
  for (let f = 0; f < frameCount; f++) {
    if (weights[f] === 0) continue;
    copyQuat(toeRotations, (f * 2 + limb) * 4, toes, f * 4);
    toeWeights[f * 2 + limb] = 1;
  }
}
