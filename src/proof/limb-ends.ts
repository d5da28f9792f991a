import { distanceVec } from '../math/vec.ts';
import type { Role } from '../pairing/roles.ts';
import type { Side } from '../skeleton/side.ts';
import { type Evidence, flagsOf, measured, notMeasured, placesAbove } from './evidence.ts';
import type { FootPoints, Json, Measure, Where } from './measure.ts';
import { spread } from './statistics.ts';
import { thicknessRatio } from './thickness.ts';
import { MEASURE_RULES } from './thresholds.ts';
import { jointName, type LimbName, pathOf, pointAt, type Track } from './track.ts';

/** A foot that is about to stand or has just stood leaves its target for its plant. Seconds. */
const RAMP = 0.2;

/** Distance of hands and feet from their scaled targets. */
export function measureLimbTargets(evidence: Evidence): Measure[] {
  return [
    limbTarget(evidence, 'limb-target-feet', ['leftLeg', 'rightLeg']),
    limbTarget(evidence, 'limb-target-hands', ['leftArm', 'rightArm']),
  ];
}

function limbTarget(
  evidence: Evidence,
  id: 'limb-target-feet' | 'limb-target-hands',
  limbs: readonly LimbName[],
): Measure {
  const { target, source, sharedFrames } = evidence;
  if (!source) return notMeasured(evidence, id, 'there is no source to reach for');
  const errors: number[] = [];
  const places: Where[] = [];
  const details: { [key: string]: Json } = {};
  let missing = 0;
  for (const limb of limbs) {
    const own = target.limbs[limb];
    const performer = source.limbs[limb];
    if (!own || !performer) {
      missing++;
      continue;
    }
    const k = (own.upper + own.lower) / (performer.upper + performer.lower);
    const root = pathOf(target, own.root);
    const end = pathOf(target, own.end);
    const srcRoot = pathOf(source, performer.root);
    const srcEnd = pathOf(source, performer.end);
    const side = limb.startsWith('left') ? 'left' : 'right';
    const isLeg = limb.endsWith('Leg');
    const busy = isLeg ? standingOrNear(evidence, side) : restingOrNear(evidence, side);
    const allowance = isLeg ? longerFoot(evidence, side) : 0;
    const error = new Float64Array(sharedFrames);
    const judged: number[] = [];
    for (let f = 0, i = 0; f < sharedFrames; f++, i += 3) {
      if (busy?.[f]) continue;
      let sum = 0;
      for (let c = 0; c < 3; c++) {
        const off = end[i + c]! - root[i + c]! - k * (srcEnd[i + c]! - srcRoot[i + c]!);
        sum += off * off;
      }
      error[f] = Math.max(0, Math.sqrt(sum) / target.legLength - allowance);
      judged.push(error[f]!);
    }
    for (const e of judged) errors.push(e);
    details[limb] = { ...spread(judged), frames: judged.length, allowance };
    places.push(...placesAbove(target, own.roles.end, own.end.joint, error, MEASURE_RULES[id].threshold, 4));
  }
  if (errors.length === 0) {
    const what = id === 'limb-target-feet' ? 'leg' : 'arm';
    return notMeasured(
      evidence,
      id,
      missing === limbs.length
        ? `no ${what} is paired on both figures`
        : id === 'limb-target-feet'
          ? 'the feet never leave the ground'
          : 'the hands rest on something all the time',
    );
  }
  return measured(evidence, id, spread(errors).p95, places, { ...spread(errors), ...details });
}

/** By how much the target's foot is longer than the source's, each as a share of its own leg. */
function longerFoot({ target, source, feet, sourceFeet }: Evidence, side: Side): number {
  const own = feet[side];
  const its = sourceFeet[side];
  if (!own || !its || !source) return 0;
  return Math.max(0, footLength(target, own) - footLength(source, its));
}

/** From heel to toe end (to the ball and a third more where the toe end is not known), as a share of the leg. */
function footLength(track: Track, { heel, ball, toe }: FootPoints): number {
  if (track.frameCount === 0 || !track.legLength) return 0;
  const a = new Float64Array(3);
  const b = new Float64Array(3);
  pointAt(track, 0, heel, a, 0);
  pointAt(track, 0, toe ?? ball, b, 0);
  return (distanceVec(a, 0, b, 0) * (toe ? 1 : 4 / 3)) / track.legLength;
}

function standingOrNear(evidence: Evidence, side: Side): Uint8Array {
  const { spans, target } = evidence;
  const ramp = Math.round(RAMP / target.frameDuration);
  return flagsOf(
    spans[side].foot.map(([first, last]) => [Math.max(0, first - ramp), last + ramp]),
    target.frameCount,
  );
}

/** A hand that rests on the body, the other hand or the floor leaves its target for that; so long before and after. Seconds. */
const HAND_RAMP = 0.6;
/** It rests where it is as near as this to a joint (share of leg length), or as low over the floor. */
const RESTING: readonly { part: Role | 'otherHand' | 'otherForearm'; near: number }[] = [
  { part: 'otherHand', near: 0.22 },
  { part: 'otherForearm', near: 0.15 },
  { part: 'head', near: 0.28 },
  { part: 'leftUpperLeg', near: 0.17 },
  { part: 'rightUpperLeg', near: 0.17 },
  { part: 'leftLowerLeg', near: 0.16 },
  { part: 'rightLowerLeg', near: 0.16 },
];
const RESTING_HEIGHT = 0.18;

/** Frames in which a hand of the source rests on something, or soon will, or just did. */
export function restingOrNear({ source, target, sharedFrames }: Evidence, side: Side): Uint8Array | null {
  const hand = `${side}Hand` as const;
  const other = side === 'left' ? 'right' : 'left';
  if (!source || source.figure.roles[hand] === undefined) return null;
  const spans: [number, number][] = [];
  const ramp = Math.round(HAND_RAMP / target.frameDuration);
  const addNear = (isNear: (f: number) => boolean): void => {
    for (let f = 0; f < sharedFrames; f++) if (isNear(f)) spans.push([Math.max(0, f - ramp), f + ramp]);
  };
  for (const { part, near } of RESTING) {
    const role =
      part === 'otherHand' ? (`${other}Hand` as const) : part === 'otherForearm' ? (`${other}LowerArm` as const) : part;
    const apart = distances(source, hand, role, sharedFrames);
    if (apart) addNear((f) => apart[f]! < near);
  }
  const path = pathOf(source, { joint: source.figure.roles[hand]!, offset: [0, 0, 0] });
  addNear((f) => path[f * 3 + 1]! < RESTING_HEIGHT * source.legLength);
  return flagsOf(spans, target.frameCount);
}

/** Joints closer than this (share of the source's leg length) touch; the second number is what the hand may touch. */
const TOUCH: readonly { a: Role; b: Role; near: number }[] = [
  { a: 'leftHand', b: 'rightHand', near: 0.15 },
  ...(['leftHand', 'rightHand'] as const).flatMap((hand) => [
    { a: hand, b: 'head' as const, near: 0.25 },
    { a: hand, b: 'hips' as const, near: 0.22 },
    { a: hand, b: 'leftLowerLeg' as const, near: 0.16 },
    { a: hand, b: 'rightLowerLeg' as const, near: 0.16 },
  ]),
];
/** Shorter touches are passing by. Seconds. */
const TOUCH_SHORTEST = 0.15;

/** Whether hands that rest on each other or on the body do so on the target. */
export function measureSelfContact(evidence: Evidence): Measure {
  const { target, source, sharedFrames } = evidence;
  if (!source) return notMeasured(evidence, 'self-contact', 'there is no source to compare with');
  const excesses: number[] = [];
  const places: Where[] = [];
  const details: { [key: string]: Json } = {};
  for (const { a, b, near } of TOUCH) {
    const own = distances(target, a, b, sharedFrames);
    const performer = distances(source, a, b, sharedFrames);
    if (!own || !performer) continue;
    const touching = new Uint8Array(sharedFrames);
    const shortest = Math.max(2, Math.round(TOUCH_SHORTEST / target.frameDuration));
    for (let f = 0; f < sharedFrames; ) {
      let end = f;
      while (end < sharedFrames && performer[end]! < near) end++;
      if (end - f >= shortest) touching.fill(1, f, end);
      f = Math.max(end, f + 1);
    }
    const excess = new Float64Array(sharedFrames);
    const judged: number[] = [];
    const thicker = thicknessRatio(target, source, a, b);
    for (let f = 0; f < sharedFrames; f++) {
      if (!touching[f]) continue;
      excess[f] = Math.max(0, own[f]! - thicker * performer[f]!);
      judged.push(excess[f]!);
    }
    if (judged.length === 0) continue;
    for (const e of judged) excesses.push(e);
    details[`${a} ${b}`] = { ...spread(judged), frames: judged.length, thicker };
    for (const place of placesAbove(
      target,
      a,
      target.figure.roles[a]!,
      excess,
      MEASURE_RULES['self-contact'].threshold,
    ))
      places.push({ ...place, note: `away from ${b} (${jointName(target.figure, target.figure.roles[b]!)})` });
  }
  if (excesses.length === 0)
    return notMeasured(evidence, 'self-contact', 'no hand of the source rests on the body or on the other hand');
  return measured(evidence, 'self-contact', spread(excesses).p95, places, details);
}

/** Distance of two joints a frame, as a share of leg length; null where one is missing. */
function distances(track: Track, a: Role, b: Role, frameCount: number): Float64Array | null {
  const ja = track.figure.roles[a];
  const jb = track.figure.roles[b];
  if (ja === undefined || jb === undefined || ja === jb || !track.legLength) return null;
  const pa = pathOf(track, { joint: ja, offset: [0, 0, 0] });
  const pb = pathOf(track, { joint: jb, offset: [0, 0, 0] });
  const result = new Float64Array(frameCount);
  for (let f = 0, i = 0; f < frameCount; f++, i += 3)
    result[f] = Math.hypot(pa[i]! - pb[i]!, pa[i + 1]! - pb[i + 1]!, pa[i + 2]! - pb[i + 2]!) / track.legLength;
  return result;
}
