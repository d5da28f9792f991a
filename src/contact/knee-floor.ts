/**
 * Keeps bent knees over the floor, by their skin. A leg that is folded with its ankle right under its hip has its knee above or
 * below both by what thigh and shin differ: where the performer's shin is the longer and its knee rises beside it, the knee of a
 * long thigh goes down into the floor; and a thick knee reaches it in a lunge. The pelvis then has to be so high that the knee is
 * where a knee can be.
 *
 * Tried before: a nearest distance from hip to ankle. That is kept by a pelvis that goes sideways or down as well, and once the
 * other leg had pulled it past its ankle, knees were 31 % of the leg in the floor (`knight` on a deep squat).
 */
import { invertQuat, mulQuat, rotateVec } from '../math/quat.ts';
import { createTwoBoneScratch, solveTwoBone } from '../math/two-bone.ts';
import { copyVec } from '../math/vec.ts';
import type { RetargetPlan } from '../retarget/plan.ts';
import type { Clip } from '../skeleton/clip.ts';
import { createPartialPose, type PartialPose, readPartialPose } from '../skeleton/partial-pose.ts';
import { envelope } from './hold.ts';
import type { LegTrack } from './leg-track.ts';
import { type KneeSkin, kneeReach, kneeThickness } from './low-skin.ts';
import type { ReachLeg } from './reach-leg.ts';
import type { Stance } from './stance.ts';

/** A knee for which the pelvis rises so much (share of the leg) keeps its foot where it is, as if it stood. */
const PRESSED = 0.04;
/** Other legs may lower the pelvis so much (share of the leg): knees that would be in the floor then are looked after as well. */
const LOWERED = 0.1;
/** The height of the pelvis is sought in so many steps, and between two of them by halving: to a two-thousandth of the leg. */
const STEPS = 8;
const HALVINGS = 8;
/** A leg is stretched no farther for its knee than this share of its length. */
const STRETCHED = 0.98;

/** One leg, as it is before the pelvis is shifted. */
export interface FlooredLeg {
  /** Its goals are where the ankle has to be. */
  reach: ReachLeg;
  stance: Stance;
  /** 1 where the foot stands, falling to 0 outside: `held` as it was before any knee was looked after. */
  stood: Float64Array;
  skin: KneeSkin;
  /** How far the knee is held on the floor by other means, 0 to 1, a frame; null: not at all. */
  kneels: Float64Array | null;
}

/**
 * How far up the pelvis has to be shifted at least, metres, a frame; -Infinity: as far down as may be; null: in all frames. Feet
 * whose knees need it do not go along with the pelvis, or their knees would come no farther from the floor. A leg that swings
 * beside one that stands asks for nothing, and none for more than a leg can do that stands, or will within the ramp.
 * @param ramp  frames from a plant back to the performer's path
 * @param shifts  of the pelvis so far, frames × 3: a hip that is moved sideways has its knee elsewhere
 * @param rise  frames in which a foot is held more and more before its knee needs it, and less and less after
 */
export function keepKneesUp(
  legs: readonly FlooredLeg[],
  plan: RetargetPlan,
  clip: Clip,
  shifts: Float64Array,
  ramp: number,
  rise: number,
): Float64Array | null {
  const liftsOf = legs.map((leg) =>
    liftsFor(
      leg,
      legs.filter((other) => other !== leg),
      plan,
      clip,
      shifts,
    ),
  );
  if (liftsOf.every((lifts) => lifts === null)) return null;
  const least = new Float64Array(clip.frameCount).fill(Number.NEGATIVE_INFINITY);
  for (const lifts of liftsOf) {
    if (lifts) for (let f = 0; f < least.length; f++) least[f] = Math.max(least[f]!, lifts[f]!);
  }
  for (const leg of legs) keepInReach(least, leg, shifts, ramp);
  liftsOf.forEach((lifts, l) => {
    const { reach, stance } = legs[l]!;
    if (lifts) holdPressed(stance.held, lifts, PRESSED * reach.length, rise);
  });
  return least;
}

/** What one leg asks for; null: nothing in any frame. */
function liftsFor(
  { reach, stance, stood, skin, kneels }: FlooredLeg,
  others: readonly FlooredLeg[],
  plan: RetargetPlan,
  clip: Clip,
  shifts: Float64Array,
): Float64Array | null {
  const { leg, floors } = stance;
  const { knees, ankles } = leg;
  const { goals, nearest, length } = reach;
  const far = kneeReach(skin) + LOWERED * length;
  let bent: BentLeg | null = null;
  let lifts: Float64Array | null = null;
  for (let f = 0, at = 0; f < nearest.length; f++, at += 3) {
    if (knees[at + 1]! + goals[at + 1]! - ankles[at + 1]! >= floors[f]! + far) continue;
    bent ??= new BentLeg(plan, clip, leg, skin, length);
    lifts ??= new Float64Array(nearest.length).fill(Number.NEGATIVE_INFINITY);
    let away = kneels ? kneels[f]! : 0;
    for (const other of others) away += Math.max(0, other.stood[f]! - stood[f]!);
    bent.read(f, goals, shifts);
    lifts[f] = bent.liftFor(floors[f]!, nearest[f]!) - away * length;
  }
  return lifts;
}

function keepInReach(least: Float64Array, { reach, stood }: FlooredLeg, shifts: Float64Array, ramp: number): void {
  const { hips, goals, reaches, length } = reach;
  const downs = new Float64Array(least.length);
  for (let f = 0, at = 0; f < downs.length; f++, at += 3) {
    const x = goals[at]! - hips[at]! - shifts[at]!;
    const z = goals[at + 2]! - hips[at + 2]! - shifts[at + 2]!;
    const highest = goals[at + 1]! + Math.sqrt(Math.max(0, reaches[f]! * reaches[f]! - x * x - z * z));
    downs[f] = hips[at + 1]! - highest - (1 - stood[f]!) * length;
  }
  const needed = envelope(downs, ramp);
  for (let f = 0; f < least.length; f++) least[f] = Math.min(least[f]!, -needed[f]!);
}

/** @param whole  a lift for which the foot is held entirely, metres */
function holdPressed(held: Float64Array, lifts: Float64Array, whole: number, rise: number): void {
  const pressed = new Float64Array(lifts.length);
  for (let f = 0; f < lifts.length; f++) {
    const u = Math.max(0, Math.min(1, lifts[f]! / whole));
    pressed[f] = u * u * (3 - 2 * u);
  }
  const smooth = envelope(pressed, rise);
  for (let f = 0; f < held.length; f++) held[f] = Math.max(held[f]!, smooth[f]!);
}

/** A leg in one frame of the plain retarget, bent as its ankle's goal and a pelvis that is raised bend it. */
class BentLeg {
  private readonly partial: PartialPose;
  private readonly turnOfThigh: Float64Array;
  private readonly turnOfShin: Float64Array;
  /** World rotations of thigh and shin, as they were and bent. */
  private readonly own = new Float64Array(8);
  private readonly bent = new Float64Array(8);
  private readonly turns = new Float64Array(8);
  /** Hip, knee and ankle of the plain retarget, and where the ankle has to be. */
  private readonly places = new Float64Array(9);
  private readonly goal = new Float64Array(3);
  private readonly lowered = new Float64Array(3);
  private readonly thigh = new Float64Array(3);
  private readonly hinge = new Float64Array(3);
  private readonly scratch = createTwoBoneScratch();
  /** How far the performer's knee is in the floor, scaled. */
  private sunk = 0;

  constructor(
    private readonly plan: RetargetPlan,
    clip: Clip,
    private readonly leg: LegTrack,
    private readonly skin: KneeSkin,
    private readonly length: number,
  ) {
    const { source, target } = plan;
    const { srcUpper, srcLower, dstUpper, dstLower } = leg.limb;
    this.partial = createPartialPose(source.skeleton, clip, [srcUpper, srcLower]);
    this.turnOfThigh = fromPerformer(source.alignment.posture, srcUpper, target.alignment.posture, dstUpper);
    this.turnOfShin = fromPerformer(source.alignment.posture, srcLower, target.alignment.posture, dstLower);
  }

  read(f: number, goals: Float64Array, shifts: Float64Array): void {
    const { hips, knees, ankles } = this.leg;
    const { limb, srcUpper, srcLower } = this.leg.limb;
    const { rotations, positions } = readPartialPose(this.partial, f);
    mulQuat(this.own, 0, rotations, srcUpper * 4, this.turnOfThigh, 0);
    mulQuat(this.own, 4, rotations, srcLower * 4, this.turnOfShin, 0);
    rotateVec(this.hinge, 0, this.own, 0, this.plan.target.alignment.hinges, limb * 3);
    this.sunk = Math.max(0, -positions[srcLower * 3 + 1]! * this.plan.scale);
    copyVec(this.places, 0, hips, f * 3);
    copyVec(this.places, 3, knees, f * 3);
    copyVec(this.places, 6, ankles, f * 3);
    copyVec(this.goal, 0, goals, f * 3);
    // As if the leg had been moved along: what counts is where its ends are to each other.
    this.goal[0]! -= shifts[f * 3]!;
    this.goal[2]! -= shifts[f * 3 + 2]!;
  }

  /**
   * How far up the pelvis has to go, at least, for the skin of the knee to be over a floor; metres, -Infinity: all the same. The
   * knee of a leg that is folded goes up again, flipped over, when its hip is lowered further: what is sought lies above that.
   * @param nearest  that the ankle may come to the hip, metres
   */
  liftFor(floor: number, nearest: number): number {
    const wanted = floor - this.sunk;
    const most = this.liftTo(STRETCHED * this.length);
    const lowest = Math.max(-LOWERED * this.length, this.liftTo(nearest));
    const usual = Math.max(0, lowest);
    if (this.lowestAt(usual) >= wanted || most <= usual) return this.crossing(lowest, usual, wanted);
    const step = (most - usual) / STEPS;
    let high = usual + step;
    for (let i = 1; i < STEPS && this.lowestAt(high) < wanted; i++) high += step;
    return this.crossing(high - step, high, Math.min(wanted, this.lowestAt(high)));
  }

  /** Where between two lifts the knee comes out of the floor, from below; -Infinity where it is out at the first. */
  private crossing(from: number, to: number, wanted: number): number {
    let [low, high] = [from, to];
    if (this.lowestAt(low) >= wanted) return Number.NEGATIVE_INFINITY;
    for (let halving = 0; halving < HALVINGS; halving++) {
      const middle = (low + high) / 2;
      if (this.lowestAt(middle) < wanted) low = middle;
      else high = middle;
    }
    return high;
  }

  /** By how much the pelvis is shifted up when the hip is so far from the ankle. */
  private liftTo(distance: number): number {
    const { places, goal } = this;
    const x = places[0]! - goal[0]!;
    const z = places[2]! - goal[2]!;
    return Math.sqrt(Math.max(0, distance * distance - x * x - z * z)) - (places[1]! - goal[1]!);
  }

  /** Height of the knee's lowest skin when the pelvis is shifted up. */
  private lowestAt(lift: number): number {
    const { places, goal, lowered, hinge, turns, own, bent, thigh } = this;
    copyVec(lowered, 0, goal, 0);
    lowered[1]! -= lift;
    solveTwoBone(places, 0, 3, 6, lowered, 0, hinge, 0, turns, this.scratch);
    mulQuat(bent, 0, turns, 0, own, 0);
    mulQuat(bent, 4, turns, 4, own, 4);
    for (let k = 0; k < 3; k++) thigh[k] = places[3 + k]! - places[k]!;
    rotateVec(thigh, 0, turns, 0, thigh, 0);
    return places[1]! + lift + thigh[1]! - kneeThickness(this.skin, bent, 0, bent, 4);
  }
}

/** What takes a joint of the performer to that of the target: both from their canonical postures. */
function fromPerformer(source: Float64Array, src: number, target: Float64Array, dst: number): Float64Array {
  const turn = new Float64Array(4);
  invertQuat(turn, 0, source, src * 4);
  mulQuat(turn, 0, turn, 0, target, dst * 4);
  return turn;
}
