/** One leg between contact and target: how its foot is turned, where that puts its ankle, and what it asks of the pelvis. */
import { copyQuat } from '../math/quat.ts';
import type { LimbTargets } from '../retarget/limb-targets.ts';
import type { RetargetPlan } from '../retarget/plan.ts';
import type { Clip } from '../skeleton/clip.ts';
import { type FootPath, floorsUnder, holdPivots, settledHeight } from './ankle-path.ts';
import { keepAnkleRange } from './ankle-range.ts';
import { clampPitch, levelFlats, levelToes, limitPitch, stiffToes, type Timing } from './foot-turns.ts';
import { envelope, type FrameSpan, meanOver, weightNear } from './hold.ts';
import { easeKnees } from './knee-ease.ts';
import type { LegTrack } from './leg-track.ts';
import { type LevelFoot, supportHeight } from './level-foot.ts';
import type { ReachLeg } from './reach-leg.ts';
import { choosePivots, flatsOf, placeRests, type Rest, standsOf } from './rests.ts';
import type { Sole } from './sole.ts';
import { clearToes, makeRoomForTips } from './toe-clearance.ts';
import { easeLifts, turnoverOf } from './turnover.ts';

/** One leg with all that is decided about it. */
export interface Stance extends FootPath {
  leg: LegTrack;
  level: LevelFoot;
  rests: Rest[];
  spans: FrameSpan[];
  toes: Float64Array | null;
  /** As from `turnoverOf`, of the performer's foot. */
  turnover: Float64Array | null;
  /** 1 in contact; falls to 0 outside it within the ramp: how far the foot belongs to the ground and not to the pelvis. */
  held: Float64Array;
}

/** What does not depend on how the foot is turned. @param rise  frames in which the clearance of a swinging foot opens */
export function standLeg(leg: LegTrack, level: LevelFoot, rests: Rest[], rise: number, timing: Timing): Stance {
  const frameCount = leg.extensions.length;
  const spans = standsOf(rests);
  const floors = new Float64Array(frameCount);
  if (rests.length > 0) floorsUnder(floors, rests);
  const grounded = new Float64Array(frameCount);
  const held = new Float64Array(frameCount);
  weightNear(grounded, spans, rise);
  weightNear(held, spans, timing.ramp);
  return {
    leg,
    level,
    rests,
    spans,
    feet: leg.feet,
    toes: null,
    turnover: null,
    ankles: leg.ankles,
    offsets: new Float64Array(frameCount * 3),
    supports: new Float64Array(frameCount),
    floors,
    grounded,
    held,
  };
}

/** Decides how the foot is turned, where it rests, and where that puts its ankle. */
export function turnStance(
  stance: Stance,
  plan: RetargetPlan,
  clip: Clip,
  sole: Sole,
  sourceSole: Sole,
  timing: Timing,
): void {
  const { leg, level, rests, spans, ankles } = stance;
  const { limb } = leg;
  const { frameDuration } = clip;
  const flats = flatsOf(rests);
  if (limb.dstEnd >= 0) {
    stance.turnover = turnoverOf(leg.feet, frameDuration);
    stance.feet = limitPitch(plan, leg, level, sole, sourceSole, stance.turnover, frameDuration);
    const toes = level.toesPosture ? leg.toes.slice() : null;
    keepAnkleRange(plan, clip, leg, level, stance.feet, toes);
    // What it will hold is worked out last: until then it is scratch.
    const scratch = stance.offsets;
    levelFlats(stance.feet, toes, flats, level, timing, scratch);
    clampPitch(stance.feet, rests, spans, level, timing);
    if (toes) {
      levelToes(toes, stance.feet, rests, level, timing, scratch);
      stance.toes = toes;
    } else if (limb.dstToes >= 0) stance.toes = stiffToes(stance.feet, plan.restRotations, limb.dstToes);
  }
  choosePivots(rests, level, stance.feet, ankles);
  placeRests(rests, flats, level, stance.feet, ankles);
  const { supports, feet, toes, grounded, turnover } = stance;
  for (let f = 0; f < supports.length; f++) supports[f] = supportHeight(level, feet, f);
  if (toes && level.toeEnd) makeRoomForTips(supports, feet, toes, grounded, level, turnover);
  if (turnover) easeLifts(supports, turnover, grounded, frameDuration);
  holdPivots(stance, rests, spans, timing);
}

/** A foot that the floor lifts by so much (share of leg length) has to be reached like one that stands. */
const PRESSED = 0.04;
/** A knee that is straighter than this share of the leg's length tells flutters with every millimetre. */
const STRAIGHTEST = 0.995;
/** Knees fold to 150 degrees (active flexion is some 140: Soucie et al. 2011), or as far as the performer's. */
const FOLDED_COSINE = Math.cos((30 * Math.PI) / 180);

/** Lengths of thigh and shin. */
function segmentsOf({ target }: RetargetPlan, { limb }: LegTrack): [number, number] {
  const { limbLengths } = target.alignment;
  return [limbLengths[limb.limb * 2]!, limbLengths[limb.limb * 2 + 1]!];
}

/**
 * What the leg asks of the pelvis.
 * @param reach  share of the leg up to which it is stretched out
 * @param ramp   frames from a plant back to the performer's path
 */
export function reachOf(stance: Stance, plan: RetargetPlan, reach: number, ramp: number): ReachLeg {
  const { leg, ankles, offsets, held } = stance;
  const { hips, extensions } = leg;
  const { length } = leg.limb;
  const [thigh, shin] = segmentsOf(plan, leg);
  const folded = Math.sqrt(thigh * thigh + shin * shin - 2 * thigh * shin * FOLDED_COSINE);
  const farthest = STRAIGHTEST * length;
  const usual = meanOver(extensions, Math.max(1, ramp >> 2));
  const reaches = envelope(extensions, ramp);
  const goals = new Float64Array(ankles.length);
  const nearest = new Float64Array(held.length);
  const pressed = new Float64Array(held.length);
  for (let f = 0, at = 0; f < held.length; f++, at += 3) {
    const swung = ankles[at + 1]! + offsets[at + 1]!;
    const height = settledHeight(stance, f, swung, length);
    goals[at] = ankles[at]! + offsets[at]!;
    goals[at + 1] = height;
    goals[at + 2] = ankles[at + 2]! + offsets[at + 2]!;
    const u = Math.min(1, (height - swung) / (PRESSED * length));
    pressed[f] = Math.max(held[f]!, u * u * (3 - 2 * u));
    usual[f] = Math.min(usual[f]!, farthest);
    reaches[f] = Math.min(farthest, Math.max(reaches[f]!, reach * length));
    nearest[f] = Math.min(folded, extensions[f]!);
  }
  return { hips, goals, offsets, extensions: usual, reaches, nearest, held: pressed, length };
}

/**
 * Writes one leg's targets. A foot in the air goes along with the pelvis, and still keeps clear of the floor.
 * @param reach  what the leg has asked for; its goals and nearest distances are overwritten: no more memory is touched than has to be
 */
export function fillTargets(
  stance: Stance,
  { goals, nearest: heights, reaches, length }: ReachLeg,
  plan: RetargetPlan,
  frameDuration: number,
  targets: LimbTargets,
): void {
  const { leg, level, ankles, offsets, feet, toes, floors, held, supports, spans } = stance;
  const { rootShifts } = targets;
  const { limb, dstEnd } = leg.limb;
  const frameCount = held.length;
  const hips = new Float64Array(frameCount * 3);
  for (let f = 0, at = 0; f < frameCount; f++, at += 3) {
    const x = rootShifts[at]!;
    const y = rootShifts[at + 1]!;
    const z = rootShifts[at + 2]!;
    const along = 1 - held[f]!;
    const height = settledHeight(stance, f, ankles[at + 1]! + offsets[at + 1]! + y * along, leg.limb.length);
    heights[f] = height;
    goals[at] = ankles[at]! + offsets[at]! + x * along;
    goals[at + 1] = height;
    goals[at + 2] = ankles[at + 2]! + offsets[at + 2]! + z * along;
    hips[at] = leg.hips[at]! + x;
    hips[at + 1] = leg.hips[at + 1]! + y;
    hips[at + 2] = leg.hips[at + 2]! + z;
  }
  const [thigh, shin] = segmentsOf(plan, leg);
  easeKnees({ thigh, shin, hips, extensions: leg.extensions }, goals, spans, frameDuration);
  const { positions, positionWeights, reaches: shares } = targets;
  for (let f = 0, from = 0, at = limb; f < frameCount; f++, from += 3, at += 4) {
    // The easing may lower a foot to the floor, and no further.
    heights[f] = Math.max(goals[from + 1]!, Math.min(heights[f]!, floors[f]! + supports[f]!));
    positions[at * 3] = goals[from]!;
    positions[at * 3 + 1] = heights[f]!;
    positions[at * 3 + 2] = goals[from + 2]!;
    positionWeights[at] = 1;
    shares[at] = reaches[f]! / length;
  }
  if (dstEnd < 0) return;
  if (toes && level.toeEnd) clearToes(toes, feet, heights, floors, stance.grounded, level, stance.turnover);
  const { rotations, rotationWeights, toeRotations, toeWeights } = targets;
  for (let f = 0, at = limb; f < frameCount; f++, at += 4) {
    copyQuat(rotations, at * 4, feet, f * 4);
    rotationWeights[at] = 1;
    if (!toes) continue;
    copyQuat(toeRotations, (f * 2 + limb) * 4, toes, f * 4);
    toeWeights[f * 2 + limb] = 1;
  }
}
