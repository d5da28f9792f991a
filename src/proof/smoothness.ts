import { distanceVec } from '../math/vec.ts';
import { PARENT_ROLE, ROLES, type Role, sidedRole } from '../pairing/roles.ts';
import type { Side } from '../skeleton/side.ts';
import { faultTurns } from './capture-faults.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import type { Json, Measure, Where } from './measure.ts';
import { broadHips, plantRemedy } from './plant-remedy.ts';
import { addTimes, middleAccelerations, windowMax } from './second-differences.ts';
import { quantile } from './statistics.ts';
import { MEASURE_RULES } from './thresholds.ts';
import { jointPath, type Track } from './track.ts';
import { unpairedLimbs } from './unpaired.ts';
import {
  positionJumps,
  rotationJumps,
  type Usual,
  usualPosition,
  usualRotation,
  usualSwing,
  usualToes,
} from './usual-jumps.ts';

const RADIANS = Math.PI / 180;
/** A jump counts when it goes beyond this many times what the source does in the frames around. */
const SOURCE_FACTOR = 1.5;
/** Without a source: what the joint itself does in this many frames before and after, leaving out the nearest two. */
const OWN_WINDOW = 12;
const NEAREST = 2;

/** Fingers, eyes and jaw are small and quick. */
const JUDGED: readonly Role[] = ROLES.filter((role) => !/Thumb|Index|Middle|Ring|Little|Eye|jaw/.test(role));

/** The source's jump is made larger where arms or trunk are longer on the target, against the leg. */
function positionAllowance(target: Track, source: Track, role: Role): number {
  if (/Leg|Foot|Toes/.test(role)) return 1;
  return (
    Math.max(
      1,
      armShare(target) / armShare(source),
      partShare(target, 'hips', 'head') / partShare(source, 'hips', 'head'),
    ) || 1
  );
}

/**
 * What the same turns of hips and foot add to a leg's jump where hips are wider, or feet longer, against the leg; and to the jump
 * of a joint that the source does not have, those of the one that carries it: into `sum`.
 * @param like  the source's joint in place of the target's
 * @returns whether they add anything
 */
function sweptFarther(sum: Float64Array, target: Track, source: Track, role: Role, like: Role): boolean {
  const parts = /Leg|Foot|Toes/.test(like) ? longerParts(target, source, like) : [];
  if (role !== like) parts.push({ its: usualSwing(source, like), more: partShare(target, like, role) * RADIANS });
  sum.fill(0);
  let isMore = false;
  for (const { its, more } of parts) {
    if (its === null || !(more > 0 && more < Number.POSITIVE_INFINITY)) continue;
    addTimes(sum, its.around, more);
    isMore = true;
  }
  return isMore;
}

/** By how much hips are wider, and feet longer, than the source's, with what those do. */
function longerParts(target: Track, source: Track, role: Role): { its: Usual | null; more: number }[] {
  const side: Side = role.startsWith('left') ? 'left' : 'right';
  const [hip, foot, toes] = [sidedRole(side, 'UpperLeg'), sidedRole(side, 'Foot'), sidedRole(side, 'Toes')];
  const more = (one: Role, other: Role) => partShare(target, one, other) / partShare(source, one, other) - 1;
  const parts = [{ its: usualPosition(source, hip), more: more('hips', hip) }];
  if (role === toes) parts.push({ its: usualToes(source, side), more: more(foot, toes) });
  return parts;
}

/** Distance of two joints in the rest pose as a share of the leg; NaN where either is missing. */
function partShare({ figure, rest, legLength }: Track, one: Role, other: Role): number {
  const [a, b] = [figure.roles[one], figure.roles[other]];
  if (a === undefined || b === undefined) return Number.NaN;
  return distanceVec(rest.positions, a * 3, rest.positions, b * 3) / legLength;
}

/** Length of the arms as a share of the leg; NaN where there are none. */
function armShare({ limbs, legLength }: Track): number {
  const arm = limbs.leftArm ?? limbs.rightArm;
  return arm ? (arm.upper + arm.lower) / legLength : Number.NaN;
}

/** What such a turn of one degree makes of a joint's position, as a share of leg length: how far from the hips it can be. */
function lever({ figure, rest, legLength }: Track, role: Role): number {
  const joint = figure.roles[role];
  const { hips } = figure.roles;
  if (joint === undefined || hips === undefined) return 0;
  return (distanceVec(rest.positions, hips * 3, rest.positions, joint * 3) / legLength) * RADIANS;
}

/** Takes from each jump what the source does around it, in that joint or as a whole; returns the largest that is left. */
function takeUsual(
  jumps: Float64Array,
  usual: Float64Array,
  factor: number,
  frameCount: number,
  turns: Float64Array | null = null,
  turnFactor = 0,
): number {
  let worst = 0;
  for (let f = 1; f + 1 < frameCount; f++) {
    const allowed = factor * usual[f]!;
    const extra = jumps[f]! - (turns ? Math.max(allowed, turnFactor * turns[f]!) : allowed);
    jumps[f] = Math.max(0, extra);
    if (extra > worst) worst = extra;
  }
  return worst;
}

/** The same without a source: by what the joint itself does before and after. */
function ownUsual(jumps: Float64Array): Float64Array {
  const before = windowMax(jumps, -OWN_WINDOW, -NEAREST - 1);
  const after = windowMax(jumps, NEAREST + 1, OWN_WINDOW);
  for (let f = 0; f < before.length; f++) if (after[f]! > before[f]!) before[f] = after[f]!;
  return before;
}

/** Angular pops, linear jumps and the smoothness of the root. */
export function measureSmoothness(evidence: Evidence): Measure[] {
  return [
    jumps(
      evidence,
      'pops',
      rotationJumps,
      usualRotation,
      () => 1,
      () => false,
      () => 1,
    ),
    jumps(evidence, 'jumps', positionJumps, usualPosition, positionAllowance, sweptFarther, lever),
    rootSmoothness(evidence),
  ];
}

function jumps(
  evidence: Evidence,
  id: 'pops' | 'jumps',
  jumpsOf: (jumps: Float64Array, track: Track, role: Role, usual?: Float64Array, factor?: number) => boolean,
  usualOfSource: (source: Track, role: Role) => Usual | null,
  allowance: (target: Track, source: Track, role: Role) => number,
  besides: (sum: Float64Array, target: Track, source: Track, role: Role, like: Role) => boolean,
  perTurn: (target: Track, role: Role) => number,
): Measure {
  const { target, source, sharedFrames } = evidence;
  const frameCount = source ? sharedFrames : target.frameCount;
  if (frameCount < 5) return notMeasured(evidence, id, 'the clip has fewer than five frames');
  const places: Where[] = [];
  let worst = 0;
  let judged = 0;
  let sourceWorst = 0;
  const limit = evidence.options.thresholds?.[id] ?? MEASURE_RULES[id].threshold;
  // Of one joint after the other.
  const own = new Float64Array(target.frameCount);
  const more = new Float64Array(source ? source.frameCount : 0);
  for (const role of JUDGED) {
    if (target.figure.roles[role] === undefined) continue;
    // A joint that the source does not have moves with the nearest one above it that it has.
    let like: Role | null = source ? role : null;
    while (like !== null && usualOfSource(source!, like) === null) like = PARENT_ROLE[like];
    let most: number;
    if (like === null) {
      if (!jumpsOf(own, target, role)) continue;
      own.fill(0, frameCount - 1);
      most = takeUsual(own, ownUsual(own), SOURCE_FACTOR, frameCount);
    } else {
      const its = usualOfSource(source!, like)!;
      const scale = allowance(target, source!, like);
      const isMore = besides(more, target, source!, role, like);
      if (isMore) addTimes(more, its.around, scale);
      const usual = isMore ? more : its.around;
      const factor = SOURCE_FACTOR * (isMore ? 1 : scale);
      if (!jumpsOf(own, target, role, usual, factor)) continue;
      own.fill(0, frameCount - 1);
      sourceWorst = Math.max(sourceWorst, its.most * scale);
      const turns = faultTurns(source!, role);
      most = takeUsual(own, usual, factor, frameCount, turns, SOURCE_FACTOR * perTurn(target, role));
    }
    judged++;
    worst = Math.max(worst, most);
    if (most > limit) places.push(...placesAbove(target, role, target.figure.roles[role]!, own, limit, 3));
  }
  if (judged === 0) return notMeasured(evidence, id, 'no joint is paired');
  const details: { [key: string]: Json } = { count: places.length, joints: judged };
  if (source) details.sourceWorst = sourceWorst;
  const byPlants = places.length > 0 ? plantRemedy(evidence, places, MEASURE_RULES[id].remedy, 'jump') : undefined;
  return measured(evidence, id, worst, places, details, byPlants);
}

/** A source whose hips hardly accelerate gives no measure of its own: leg lengths a second squared. */
const QUIET = 0.5;
/**
 * … nor do second differences that nobody sees: share of leg length. A written file may be off its frames by 0.1 mm (the
 * default of its keys), which alone makes 0.2 to 0.4 mm of them on an adult: over 3 leg lengths a second squared at 120 Hz.
 */
const UNSEEN = 4e-4;

function rootSmoothness(evidence: Evidence): Measure {
  const { target, source, sharedFrames } = evidence;
  const id = 'root-smoothness';
  if (!source) return notMeasured(evidence, id, 'there is no source to compare with');
  const own = accelerations(target, sharedFrames);
  const its = accelerations(source, sharedFrames);
  if (!own || !its)
    return notMeasured(evidence, id, 'the hips are not paired on both figures, or the clip is too short');
  const ownP95 = quantile(own, 0.95);
  const itsP95 = quantile(its, 0.95);
  const quiet = Math.max(QUIET, UNSEEN / target.frameDuration ** 2);
  const ratio = Math.max(quiet, ownP95) / Math.max(quiet, itsP95);
  const hips = target.figure.roles.hips!;
  // A frame is named where it goes beyond the source's usual by more than the threshold.
  const usual = Math.max(quiet, itsP95);
  for (let i = 0; i < own.length; i++) own[i]! /= usual;
  const where = placesAbove(target, 'hips', hips, own, MEASURE_RULES[id].threshold, 5);
  const details = { targetP95: ownP95, sourceP95: itsP95, unit: 'leg lengths a second squared' };
  const unled = unpairedLimbs(target.figure, source.figure).filter((role) => /Leg|Foot/.test(role));
  const broad = broadHips(target, source);
  let remedy: string | undefined;
  if (unled.length > 0)
    remedy = `The hips give way at every step because no joint was paired with ${unled.join(' and ')}: let it hang from its leg as on the other side, or pair it by hand.`;
  else if (broad) remedy = `The hips give way so that both feet reach their plants. ${broad}`;
  return measured(evidence, id, ratio, where, details, remedy);
}

/**
 * Acceleration of the middle between the hip joints (of the hips where there are none), leg lengths a second squared. Where
 * rigs put the joint called hips differs too much.
 */
function accelerations(track: Track, frameCount: number): Float64Array | null {
  const { hips, leftUpperLeg, rightUpperLeg } = track.figure.roles;
  if (hips === undefined || frameCount < 5 || !track.legLength || !(track.frameDuration > 0)) return null;
  const hasLegs = leftUpperLeg !== undefined && rightUpperLeg !== undefined;
  const left = jointPath(track, hasLegs ? leftUpperLeg : hips);
  const right = jointPath(track, hasLegs ? rightUpperLeg : hips);
  const scale = 1 / (2 * track.frameDuration ** 2 * track.legLength);
  return middleAccelerations(left, right, scale, frameCount);
}
