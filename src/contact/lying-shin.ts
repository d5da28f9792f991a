/** How shin and foot lie behind a knee that rests on the floor. */
import { axisAngleQuat, copyQuat, invertQuat, mulQuat, rotateVec, rotateVecInverse } from '../math/quat.ts';
import { copyVec, normalizeVec, subVec } from '../math/vec.ts';
import type { LimbPlan, RetargetPlan } from '../retarget/plan.ts';
import type { Clip } from '../skeleton/clip.ts';
import { createPartialPose, readPartialPose } from '../skeleton/partial-pose.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';
import { pitchTurn } from './foot-turns.ts';
import { type Attitude, attitudeOf, createAttitude, type LevelFoot, supportHeight } from './level-foot.ts';
import { type KneeSkin, kneeThickness } from './low-skin.ts';
import type { Sole } from './sole.ts';
import { pointTrajectories } from './trajectories.ts';

const DEGREE = Math.PI / 180;
/** Angles by which a foot may be turned at its ankle, and what an ankle does without being forced (AAOS, rounded up). */
const TURN_STEP = 5 * DEGREE;
const TURN_MAX = 90 * DEGREE;
const DORSIFLEXION = 25 * DEGREE;
const PLANTARFLEXION = 50 * DEGREE;
/** Knees fold to 150 degrees (active flexion is some 140: Soucie et al. 2011), or as far as the performer's. */
const FLEXION = 150 * DEGREE;
/** Toes bend up as far without being forced (AAOS, value from memory). */
const TOES_UP = 70 * DEGREE;
/** A foot that points down by more than this (straight down is 90 degrees) has its toes behind it, not tucked under. */
const TUCKED = 100 * DEGREE;
/** What leaves its range counts so many times as much as what is turned. */
const FORCED = 6;
/** Toes less: they give way before an ankle or a knee does (common practice, no source). */
const TOES_FORCED = 2;
/** An ankle whose foot lies on its instep is so high over it: share of its height over the sole (common practice, no source). */
const INSTEP = 0.4;
/** A foot that is lower than this over the floor (share of the performer's leg) lies on it. */
const LYING = 0.03;
/** Slopes of a shin on the floor. */
const STEEPEST = Math.sin(75 * DEGREE);
const LOWEST = Math.sin(-20 * DEGREE);
/** A shin that is steeper than this (its level share) has no heading to turn about. */
const UPRIGHT = 0.25;

/** What a kneeling performer does, frames × 3 and frames × 4. */
export interface SourceShin {
  /** From knee to ankle and from knee to hip, unit. */
  shins: Float64Array;
  thighs: Float64Array;
  /** World rotations of the joints of shin and thigh. */
  rotations: Float64Array;
  thighRotations: Float64Array;
  /** Height of the lowest point of the foot, metres. */
  gaps: Float64Array;
}

/** The foot on its straight toes: their tip can come lowest too. Without toes it is the foot as it was. */
export function tipToe(level: LevelFoot): LevelFoot {
  const { toesPosture, toeEnd, posture, ball, support } = level;
  if (!toesPosture || !toeEnd) return level;
  const at = new Float64Array(3);
  rotateVec(at, 0, toesPosture, 0, toeEnd, 0);
  rotateVecInverse(at, 0, posture, 0, at, 0);
  for (let k = 0; k < 3; k++) at[k]! += ball.at[k]!;
  return { ...level, support: [...support, { at, height: 0 }] };
}

/** How shin and foot of one leg lie, frame by frame. */
export class Lying {
  private readonly attitude: Attitude = createAttitude();
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
    private readonly tipToe: LevelFoot,
    sole: Sole,
    private readonly skin: KneeSkin,
    private readonly source: SourceShin,
    /** 1 where toes point back, a frame; it is read, and set while a turn is sought. */
    private readonly pointed: Uint8Array,
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
    return gap + Math.max(this.instep, supportHeight(this.pointed[f] ? this.tipToe : this.level, feet, f));
  }

  /**
   * The turn of the foot that costs least: it, the change of the shin's slope, and toes, ankle and knee out of their ranges.
   * Toes are tucked under and lie flat, or they point back and are straight, as the performer's foot lets them.
   */
  bestTurn(feet: Float64Array, f: number): { turn: number; pointed: boolean } {
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
    const pointed = this.level.toesPosture !== null && -pitch > TUCKED;
    const tucked = this.level.toesPosture !== null && !pointed;
    this.pointed[f] = pointed ? 1 : 0;
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
      const bent = tucked ? Math.max(0, -(pitch + turn) - TOES_UP) ** 2 : 0;
      const cost = turn * turn + (shin - slope) ** 2 + FORCED * forced + TOES_FORCED * bent;
      if (cost < cheapest - 1e-12) [cheapest, best] = [cost, turn];
    }
    return { turn: Math.abs(best) < TURN_STEP / 2 ? 0 : best, pointed };
  }
}

export function sourceShin(
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

/** The nearest that the ankle may come to the hip, a frame, metres. */
export function nearestOf({ shins, thighs }: SourceShin, thigh: number, shin: number): Float64Array {
  return Float64Array.from({ length: shins.length / 3 }, (_, f) => {
    let cosine = 0;
    for (let k = 0; k < 3; k++) cosine += shins[f * 3 + k]! * thighs[f * 3 + k]!;
    const interior = Math.min(Math.PI - FLEXION, Math.acos(Math.max(-1, Math.min(1, cosine))));
    return Math.sqrt(thigh * thigh + shin * shin - 2 * thigh * shin * Math.cos(interior));
  });
}
