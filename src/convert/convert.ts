import { liftHands } from '../contact/hand-floor.ts';
import { type HandContact, holdHands } from '../contact/hands.ts';
import { type Plant, type PlantOptions, plantFeet } from '../contact/plants.ts';
import { unreachedNotes } from '../contact/unreached.ts';
import type { Note } from '../errors.ts';
import type { Mapping } from '../pairing/mapping.ts';
import type { ProofFigure } from '../proof/measure.ts';
import type { Actor } from '../retarget/actor.ts';
import { createLimbTargets, type LimbTargets } from '../retarget/limb-targets.ts';
import { compileRetarget, type RetargetOptions, type RetargetPlan } from '../retarget/plan.ts';
import { retargetArms, retargetClip } from '../retarget/retarget-clip.ts';
import type { Clip } from '../skeleton/clip.ts';
import type { FootContacts } from '../skeleton/contact-interval.ts';
import type { UnreachedPlant } from '../skeleton/unreached-plant.ts';
import { applyCorrections } from './apply-corrections.ts';
import { calmPelvis, calmPelvisNote } from './calm-pelvis.ts';
import { type FilterOptions, filterPerformer } from './filter/filter-performer.ts';
import { limitJoints, rangeNotes } from './joint-limits.ts';
import { backOnSlope, levelGroundOf, plantsOnSlope, rampNote } from './level-ground.ts';
import { contactsOf, excessesOf, feetOf, girthsOf, handRestsOf, handShapesOf, solesOf } from './measured.ts';
import type { Performer } from './performer.ts';
import { placePoles } from './poles.ts';
import type { Receiver } from './receiver.ts';
import {
  applyRootMotion,
  ROOT_MOTION_DEFAULTS,
  type RootMotionOptions,
  type Travel,
  withTravel,
} from './root-motion.ts';
import { stretchLimbs } from './stretch.ts';

export interface ConvertOptions {
  /** Whether feet that stand in the source are held on the target. */
  contact: boolean;
  /** Whether hands that rest on the body, on each other or on the floor do so on the target. */
  hands: boolean;
  retarget: Partial<RetargetOptions>;
  plants: Partial<PlantOptions>;
  /** What a person has corrected beyond roles: postures, held joints, chains, weights of the limbs. */
  mapping: Mapping;
  /** What is done to the motion before anything else. */
  filter: Partial<FilterOptions>;
  /** Whether joints of the performer that leave the published ranges of motion are brought back, before anything is placed. */
  enforceRanges: boolean;
  /** By how much a limb may grow to reach its target, percent. */
  allowStretch: number;
  /** Whether pole targets of the rig are placed along knees and elbows. */
  poles: boolean;
  /** Where the travel goes, once the feet are planted. */
  rootMotion: Partial<RootMotionOptions>;
}

export const CONVERT_DEFAULTS: ConvertOptions = {
  contact: true,
  hands: true,
  retarget: {},
  plants: {},
  mapping: {},
  filter: {},
  enforceRanges: false,
  allowStretch: 0,
  poles: false,
  rootMotion: ROOT_MOTION_DEFAULTS,
};

/** A performer's motion on a receiver, in world space. */
export interface Conversion {
  /** As its motion was used: filtered, held, within its ranges. A proof compares with this one. */
  performer: Performer;
  plan: RetargetPlan;
  clip: Clip;
  /** What was taken out of the motion; null where it is kept, on the hips or on a joint above them. */
  travel: Travel | null;
  contacts: FootContacts | null;
  plants: Plant[];
  /** Where a planted foot stays out of reach; a proof that is given it says so (`ProofOptions.unreached`). */
  unreached: UnreachedPlant[];
  handContacts: HandContact[];
  /** Where the ground slopes, as it stands once it is turned level. */
  targets: LimbTargets | null;
  notes: Note[];
}

/**
 * The whole way from a performer to a receiver: compile, find the contacts, plant the feet, hold the hands, run, settle
 * the root motion.
 * Touches neither; allocates its result. Throws what `filterPerformer`, `applyCorrections`,
 * `compileRetarget` and `applyRootMotion` throw.
 */
export function convert(given: Performer, onto: Receiver, options: Partial<ConvertOptions> = {}): Conversion {
  const settings = { ...CONVERT_DEFAULTS, ...options };
  const filtered = filterPerformer(given, settings.filter);
  const corrected = applyCorrections(filtered.performer, onto, settings.mapping);
  const { receiver, retarget } = corrected;
  const notes = [...filtered.notes, ...corrected.notes];
  const performer = withinRanges(corrected.performer, settings.enforceRanges, notes);
  const { actor } = receiver;
  const planFor = (source: Actor) => compileRetarget(source, actor, { ...retarget, ...settings.retarget });
  let plan = planFor(performer.actor);
  const hasFeet = plan.limbs.filter(({ limb }) => limb < 2).length === 2 && hasLegs(performer);
  // On a slope all is done as if it were level, and turned back.
  const ramp = settings.contact && hasFeet ? levelGroundOf(performer) : null;
  const staged = ramp?.performer ?? performer;
  if (ramp) {
    plan = planFor(staged.actor);
    notes.push(rampNote(ramp));
  }
  let targets: LimbTargets | null = null;
  let plants: Plant[] = [];
  let unreached: UnreachedPlant[] = [];
  let source = staged.clip;
  if (settings.contact && hasFeet) {
    source = calmPelvis(plan, source);
    const calmed = calmPelvisNote(plan);
    if (calmed) notes.push(calmed);
    const planted = plantFeet(
      plan,
      source,
      contactsOf(staged),
      solesOf(onto),
      feetOf(staged),
      settings.plants,
      receiver.skins,
    );
    ({ targets, plants, unreached } = planted);
    notes.push(...unreachedNotes(unreached));
  }
  let moved = retargetClip(plan, source, targets ?? undefined);
  let handContacts: HandContact[] = [];
  if (settings.hands) {
    const withHands = targets ?? createLimbTargets(source.frameCount);
    const rests = handRestsOf(staged);
    const solve = (): void => retargetArms(plan, source, withHands, moved);
    handContacts = holdHands(plan, rests, moved, girthsOf(onto), withHands, {
      stretch: settings.allowStretch / 100,
    });
    if (handContacts.length > 0) solve();
    const lifted = liftHands(plan, rests, moved, handShapesOf(onto), withHands, solve);
    if (lifted || handContacts.length > 0) targets = withHands;
  }
  if (targets) moved = stretchLimbs(plan, moved, targets, settings.allowStretch);
  if (settings.poles) moved = placePoles(plan, moved);
  if (ramp) {
    moved = backOnSlope(ramp, moved, actor.skeleton, plan.scale);
    plants = plantsOnSlope(ramp, plants, plan.scale);
  }
  const { clip, travel, root } = applyRootMotion(actor, moved, settings.rootMotion);
  return {
    performer,
    plan,
    clip,
    travel: root === null ? travel : null,
    // Found when they are asked for: without contact nobody may be.
    get contacts() {
      return hasFeet ? contactsOf(staged) : null;
    },
    plants,
    unreached,
    handContacts,
    targets,
    notes,
  };
}

/** The performer with its joints in their ranges, if that is asked for; where it leaves them is told in any case. */
function withinRanges(performer: Performer, enforce: boolean, notes: Note[]): Performer {
  const { actor, clip } = performer;
  if (!enforce) {
    notes.push(...rangeNotes(actor, excessesOf(performer), false));
    return performer;
  }
  const limited = limitJoints(actor, clip);
  notes.push(...rangeNotes(actor, limited.excesses, true));
  return { ...performer, clip: limited.clip };
}

function hasLegs({ actor }: Performer): boolean {
  const { leftLowerLeg, rightLowerLeg } = actor.body.roles;
  return leftLowerLeg !== undefined && rightLowerLeg !== undefined;
}

/** A performer as the proof sees it. */
export function sourceFigure({ actor, clip }: Performer): ProofFigure {
  return { skeleton: actor.skeleton, clip, roles: actor.body.roles };
}

/** A receiver that plays a clip, as the proof sees it. */
export function targetFigure({ actor, skins }: Receiver, clip: Clip): ProofFigure {
  return { skeleton: actor.skeleton, clip, roles: actor.body.roles, skins };
}

/**
 * A figure as the proof judges it that plays what was written of a conversion. In place, feet that stand slide backwards on
 * purpose: the travel is given back.
 */
export function judgedFigure(played: ProofFigure, { travel }: Conversion): ProofFigure {
  return travel === null ? played : { ...played, clip: withTravel(played.skeleton, played.clip, travel, 1) };
}
