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
 *
 * Speed: `plantFeet` is plain glue, and every loop over frames a function of its own. With closures over frames in it, it was
 * inlined as a whole, optimised, and thrown away again for arrays of another kind in up to 50 of 80 runs.
 */
import { rotateVec } from '../math/quat.ts';
import { createLimbTargets, type LimbTargets } from '../retarget/limb-targets.ts';
import type { RetargetPlan } from '../retarget/plan.ts';
import type { Clip } from '../skeleton/clip.ts';
import type { FootContacts } from '../skeleton/contact-interval.ts';
import type { Side } from '../skeleton/side.ts';
import type { SkinMesh } from '../skeleton/skin.ts';
import type { UnreachedPlant } from '../skeleton/unreached-plant.ts';
import type { GroundReading } from './detect.ts';
import type { Timing } from './foot-turns.ts';
import { keepKneesUp } from './knee-floor.ts';
import { fillKneeling, type Kneel, kneelLeg, kneePin, reachKneeling } from './kneel.ts';
import { type LegTrack, trackLegs, trackShins } from './leg-track.ts';
import { type LevelFoot, levelFoot } from './level-foot.ts';
import { findLow, type LowRests } from './low-rests.ts';
import { kneeSkin } from './low-skin.ts';
import type { MovingFeet } from './measure-soles.ts';
import { shiftPelvis } from './pelvis-shift.ts';
import { flatsOf, type Rest, restsOf, restsOutside, standsOf } from './rests.ts';
import { seatHeight } from './seat.ts';
import { hipExcess } from './shift-limits.ts';
import type { LowHolds } from './shift-problem.ts';
import type { Sole } from './sole.ts';
import { fillTargets, reachOf, standLeg, turnStance } from './stance.ts';
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
/**
 * Rounds in which knees are looked after: a pelvis that is raised is moved sideways as well, which puts its knees elsewhere. With
 * a third one knees that fold as far as they go jumped by 9.4 % of the leg in place of 3.8 (`stocky` on a deep squat).
 */
const KNEE_ROUNDS = 2;
/** A pelvis that is nearer to its least height than this share of the leg is kept there by it. */
const NEAR_LEAST = 1e-3;

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
    least: null,
  };
  const meanLength = legs.reduce((sum, { limb }) => sum + limb.length, 0) / Math.max(1, legs.length);
  const largestShift = settings.largestShift * meanLength;
  const more = hipExcess(plan);
  const rounds = legs.some(({ limb }) => limb.dstEnd < 0) ? SHIN_ROUNDS : 1;
  const stances = legs.map((leg, l) => standLeg(leg, levels[l]!, restsOfLeg[l]!, frames(settings.rise), timing));
  let limits: Float64Array = new Float64Array(0);
  for (let round = 0; round < rounds; round++) {
    if (round > 0) trackShins(plan, clip, targets, legs);
    const reachLegs = stances.map((stance) => {
      const { side } = stance.leg;
      turnStance(stance, plan, clip, soles[side], source.soles[side], timing);
      return reachOf(stance, plan, settings.reach, timing.ramp);
    });
    const floored = stances.map((stance, l) => ({
      reach: reachLegs[l]!,
      stance,
      stood: stance.held.slice(),
      skin: kneeSkin(plan.target, stance.leg.limb, skins),
      kneels: kneels[l]?.weights ?? null,
    }));
    kneels.forEach((kneel, l) => {
      if (kneel) reachKneeling(reachLegs[l]!, kneel);
    });
    const { rootShifts } = targets;
    const isFinal = round === rounds - 1;
    rootShifts.fill(0);
    for (let look = 0; look < KNEE_ROUNDS; look++) {
      const least = keepKneesUp(floored, plan, clip, rootShifts, timing.ramp, frames(settings.rise));
      limits = shiftPelvis(
        reachLegs,
        frameCount,
        frameDuration,
        largestShift,
        rootShifts,
        { ...holds, least },
        more,
        isFinal,
      );
      if (!least?.some((lift, f) => lift > rootShifts[f * 3 + 1]! - NEAR_LEAST * meanLength)) break;
    }
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
