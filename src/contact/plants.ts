/**
 * Plants: while heel or ball of a foot rests on the ground in the source, the same point of the target's foot rests on one
 * spot, and leaves it without a jerk.
 *
 * Within a contact the foot pivots: about the heel before it is flat, about the ball after. While it is flat its sole is
 * level and its heading constant. Between contacts the foot goes the way the plain retarget takes it: displacement and
 * turn at the edge of a contact fade along a cubic that starts with the slope they have there (after Kovar, Schreiner &
 * Gleicher 2002, 'Footskate Cleanup for Motion Capture Editing'; a curve that starts with zero slope would step the foot's
 * velocity by what the performer's foot still moves at that edge). Heights are measured from the lowest point of the foot, so
 * that no foot goes through the floor on its way.
 */
import { copyQuat, rotateVec } from '../math/quat.ts';
import { createLimbTargets, type LimbTargets } from '../retarget/limb-targets.ts';
import type { RetargetPlan } from '../retarget/plan.ts';
import type { Clip } from '../skeleton/clip.ts';
import type { FootContacts } from '../skeleton/contact-interval.ts';
import type { Side } from '../skeleton/side.ts';
import type { SkinMesh } from '../skeleton/skin.ts';
import type { UnreachedPlant } from '../skeleton/unreached-plant.ts';
import { type FootPath, floorsUnder, holdPivots, settledHeight } from './ankle-path.ts';
import { keepAnkleRange } from './ankle-range.ts';
import type { GroundReading } from './detect.ts';
import { clampPitch, clearToes, levelFlats, levelToes, limitPitch, stiffToes, type Timing } from './foot-turns.ts';
import { envelope, type FrameSpan, meanOver, weightNear } from './hold.ts';
import { easeKnees } from './knee-ease.ts';
import { fillKneeling, type Kneel, kneelLeg, kneePin, reachKneeling } from './kneel.ts';
import { type LegTrack, trackLegs, trackShins } from './leg-track.ts';
import { type LevelFoot, levelFoot } from './level-foot.ts';
import { findLow, type LowRests } from './low-rests.ts';
import { kneeSkin } from './low-skin.ts';
import { shiftPelvis } from './pelvis-shift.ts';
import type { ReachLeg } from './reach-leg.ts';
import { choosePivots, flatsOf, placeRests, type Rest, restsOf, restsOutside, standsOf } from './rests.ts';
import { seatHeight } from './seat.ts';
import { hipExcess } from './shift-limits.ts';
import type { LowHolds } from './shift-problem.ts';
import type { MovingFeet, Sole } from './sole.ts';
import { setStepHeights } from './step-heights.ts';
import { unreachedPlants } from './unreached.ts';

export interface PlantOptions {
  /** Seconds that a foot takes from its plant back to the performer's path, and before it. */
  ramp: number;
  /** Seconds after a contact, and before it, in which the clearance of a swinging foot opens. */
  rise: number;
  /** Share of the leg up to which it is stretched out to keep a plant: knees never snap straight. */
  reach: number;
  /**
   * Largest pelvis shift, share of the leg length; where a plant needs more, as much more as the hips are wider than the
   * performer's (`hipExcess`). A plant that needs still more is not met, and is reported.
   */
  largestShift: number;
}

export const PLANT_DEFAULTS: Readonly<PlantOptions> = { ramp: 0.2, rise: 0.1, reach: 0.98, largestShift: 0.35 };

/** One contact interval as it was planted. */
export interface Plant {
  side: Side;
  point: 'heel' | 'ball';
  /** Seconds. */
  start: number;
  end: number;
  /** Where the point rests, metres, world space. */
  position: [number, number, number];
}

export interface PlantResult {
  targets: LimbTargets;
  plants: Plant[];
  /** Where a planted foot stays out of reach, and by how much. */
  unreached: UnreachedPlant[];
}

/** The slope at the edge of a contact is read over so many seconds. */
const EDGE = 0.025;
/** Rounds in which the soles of legs that end in their shins are followed; a third changes them by less than 0.1 degree. */
const SHIN_ROUNDS = 3;

/** One leg with all that is decided about it. */
interface Stance extends FootPath {
  leg: LegTrack;
  level: LevelFoot;
  rests: Rest[];
  spans: FrameSpan[];
  toes: Float64Array | null;
  /** 1 in contact; falls to 0 outside it within the ramp: how far the foot belongs to the ground and not to the pelvis. */
  held: Float64Array;
}

/**
 * Finds the targets that hold every planted foot.
 *
 * @param clip         the source clip, world space
 * @param contacts     as detected on the source; with the ground that was found there, steps are kept; on ground that slopes
 *   soles are level as on a stair (ramps are turned level before: `convert/level-ground.ts`)
 * @param soles        heel, ball and toe tip of the target's feet
 * @param source       those of the source's, and where they go
 * @param skins        the target's meshes, world space, on which knees and seat are measured
 * Allocates its result. Legs that the target does not have are left out. Without any contact every weight is 0: a figure
 * that flies or swims keeps the plain retarget.
 */
export function plantFeet(
  plan: RetargetPlan,
  clip: Clip,
  contacts: FootContacts & { ground?: GroundReading },
  soles: Record<Side, Sole>,
  source: MovingFeet,
  options: Partial<PlantOptions> = {},
  skins: readonly SkinMesh[] = [],
): PlantResult {
  const settings = { ...PLANT_DEFAULTS, ...options };
  const { frameCount, frameDuration } = clip;
  const frames = (seconds: number): number => Math.max(1, Math.round(seconds / frameDuration));
  const timing: Timing = { ramp: Math.max(2, frames(settings.ramp)), edge: frames(EDGE) };
  const legs = trackLegs(plan, clip);
  const levels = legs.map(({ limb, side }) => levelFoot(plan, limb, soles[side]));
  const low = findLow(plan, clip, legs);
  const restsOfLeg = legs.map(({ side }, l) =>
    restsOutside(restsOf(contacts[side], levels[l]!, frameCount, frameDuration), low?.knees[l]?.spans ?? []),
  );
  if (contacts.ground) {
    const { floor, legLength } = contacts.ground;
    legs.forEach(({ side }, l) => {
      const rests = restsOfLeg[l]!;
      setStepHeights(rests, standsOf(rests), side, source.points[side], floor, plan.scale, legLength);
    });
  }
  const lift = standingLift(legs, levels, restsOfLeg);
  for (const leg of legs) liftLeg(leg, lift);
  const targets = createLimbTargets(frameCount);
  if (!low && restsOfLeg.every((rests) => rests.length === 0)) return { targets, plants: [], unreached: [] };
  const kneels = low ? kneelsOf(plan, clip, legs, levels, low, soles, source, skins, timing) : legs.map(() => null);
  const holds: LowHolds = {
    knees: kneels.flatMap((kneel) => (kneel ? [kneePin(kneel)] : [])),
    seat: low ? seatHeight(plan, clip, legs, low.seat, skins, timing) : null,
  };
  const meanLength = legs.reduce((sum, { limb }) => sum + limb.length, 0) / Math.max(1, legs.length);
  const largestShift = settings.largestShift * meanLength;
  const more = hipExcess(plan);
  const rounds = legs.some(({ limb }) => limb.dstEnd < 0) ? SHIN_ROUNDS : 1;
  let stances: Stance[] = [];
  let limits: Float64Array = new Float64Array(0);
  for (let round = 0; round < rounds; round++) {
    if (round > 0) trackShins(plan, clip, targets, legs);
    stances = [];
    const reachLegs: ReachLeg[] = [];
    for (let l = 0; l < legs.length; l++) {
      const leg = legs[l]!;
      const stance = standLeg(leg, levels[l]!, restsOfLeg[l]!, frames(settings.rise), timing);
      turnStance(stance, plan, clip, soles[leg.side], source.soles[leg.side], timing);
      const reach = reachOf(stance, plan, settings.reach, timing.ramp);
      const kneel = kneels[l];
      if (kneel) reachKneeling(reach, kneel);
      stances.push(stance);
      reachLegs.push(reach);
    }
    const { rootShifts } = targets;
    const isFinal = round === rounds - 1;
    limits = shiftPelvis(reachLegs, frameCount, frameDuration, largestShift, rootShifts, holds, more, isFinal);
    for (let l = 0; l < legs.length; l++) {
      fillTargets(stances[l]!, reachLegs[l]!, plan, frameDuration, targets);
      const kneel = kneels[l];
      if (kneel) fillKneeling(kneel, levels[l]!, targets);
    }
    raise(rootShifts, lift);
  }
  return {
    targets,
    plants: stances.flatMap(({ leg, rests }) => rests.map((rest) => plantOf(leg.side, rest, frameDuration))),
    unreached: unreachedPlants(stances, targets, lift, limits, frameDuration),
  };
}

/** How each leg kneels; null for one that does not. */
function kneelsOf(
  plan: RetargetPlan,
  clip: Clip,
  legs: readonly LegTrack[],
  levels: readonly LevelFoot[],
  { knees }: LowRests,
  soles: Record<Side, Sole>,
  source: MovingFeet,
  skins: readonly SkinMesh[],
  timing: Timing,
): (Kneel | null)[] {
  return legs.map((leg, l) => {
    const knee = knees[l];
    if (!knee || knee.spans.length === 0) return null;
    const skin = kneeSkin(plan.target, leg.limb, skins);
    return kneelLeg(plan, clip, leg, levels[l]!, knee, source.soles[leg.side], soles[leg.side], skin, timing);
  });
}

function liftLeg({ hips, knees, ankles }: LegTrack, lift: number): void {
  raise(hips, lift);
  raise(knees, lift);
  raise(ankles, lift);
}

function raise(path: Float64Array, lift: number): void {
  for (let at = 1; at < path.length; at += 3) path[at]! += lift;
}

function plantOf(side: Side, { point, span, spot }: Rest, frameDuration: number): Plant {
  return { side, point, start: span.first * frameDuration, end: span.last * frameDuration, position: [...spot] };
}

/**
 * How far the whole figure has to rise (or sink) so that its feet stand on the floor on average while they are flat: ankle
 * heights of performer and rig are never known to the millimetre, and a figure that floats would bend its knees to get down.
 */
function standingLift(
  legs: readonly LegTrack[],
  levels: readonly LevelFoot[],
  restsOfLeg: readonly (readonly Rest[])[],
): number {
  const heel = new Float64Array(3);
  let sum = 0;
  let count = 0;
  for (let l = 0; l < legs.length; l++) {
    const { ankles } = legs[l]!;
    const level = levels[l]!;
    rotateVec(heel, 0, level.posture, 0, level.heel.at, 0);
    for (const { span, heel: rest } of flatsOf(restsOfLeg[l]!)) {
      for (let f = span.first; f <= span.last; f++) sum += rest.floor - ankles[f * 3 + 1]! - heel[1]!;
      count += span.last - span.first + 1;
    }
  }
  return count > 0 ? sum / count : 0;
}

function standLeg(leg: LegTrack, level: LevelFoot, rests: Rest[], rise: number, timing: Timing): Stance {
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
    ankles: leg.ankles,
    offsets: new Float64Array(frameCount * 3),
    supports: new Float64Array(frameCount),
    floors,
    grounded,
    held,
  };
}

/** Decides how the foot is turned, where it rests, and where that puts its ankle. */
function turnStance(
  stance: Stance,
  plan: RetargetPlan,
  clip: Clip,
  sole: Sole,
  sourceSole: Sole,
  timing: Timing,
): void {
  const { leg, level, rests, spans, ankles } = stance;
  const { limb } = leg;
  const flats = flatsOf(rests);
  if (limb.dstEnd >= 0) {
    stance.feet = limitPitch(plan, leg, level, sole, sourceSole);
    const toes = level.toesPosture ? leg.toes.slice() : null;
    keepAnkleRange(plan, clip, leg, level, stance.feet, toes);
    const scratch = new Float64Array(ankles.length);
    levelFlats(stance.feet, toes, flats, level, timing, scratch);
    clampPitch(stance.feet, rests, spans, level, timing);
    if (toes) {
      levelToes(toes, stance.feet, rests, level, timing, scratch);
      stance.toes = toes;
    } else if (limb.dstToes >= 0) stance.toes = stiffToes(stance.feet, plan.restRotations, limb.dstToes);
  }
  choosePivots(rests, level, stance.feet, ankles);
  placeRests(rests, flats, level, stance.feet, ankles);
  holdPivots(stance, rests, spans, level, timing);
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

function reachOf(stance: Stance, plan: RetargetPlan, reach: number, ramp: number): ReachLeg {
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

/** Writes one leg's targets. A foot in the air goes along with the pelvis, and still keeps clear of the floor. */
function fillTargets(
  stance: Stance,
  { reaches, length }: ReachLeg,
  plan: RetargetPlan,
  frameDuration: number,
  targets: LimbTargets,
): void {
  const { leg, level, ankles, offsets, feet, toes, floors, held, supports, spans } = stance;
  const { rootShifts } = targets;
  const { limb, dstEnd } = leg.limb;
  const frameCount = held.length;
  const heights = new Float64Array(frameCount);
  const goals = new Float64Array(frameCount * 3);
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
  if (toes && level.toeEnd) clearToes(toes, feet, heights, floors, stance.grounded, level);
  const { rotations, rotationWeights, toeRotations, toeWeights } = targets;
  for (let f = 0, at = limb; f < frameCount; f++, at += 4) {
    copyQuat(rotations, at * 4, feet, f * 4);
    rotationWeights[at] = 1;
    if (!toes) continue;
    copyQuat(toeRotations, (f * 2 + limb) * 4, toes, f * 4);
    toeWeights[f * 2 + limb] = 1;
  }
}
