import type { Role } from '../pairing/roles.ts';
import { oncePerKey } from '../skeleton/once-per.ts';
import type { Side } from '../skeleton/side.ts';
import type { LimbName } from './build.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import { footOnFloor } from './foot-floor.ts';
import { handOnFloor, type OnFloor } from './hand-floor.ts';
import type { Json, Measure, Where } from './measure.ts';
import { spread } from './statistics.ts';
import { longerFoot, notSwinging } from './swing.ts';
import { MEASURE_RULES } from './thresholds.ts';
import { jointPath, pathOf, type Track } from './track.ts';

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
  const errors = new Float64Array(sharedFrames * limbs.length);
  let taken = 0;
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
    const floor = isLeg ? footOnFloor(evidence, side) : handOnFloor(evidence, side);
    const busy = isLeg ? notSwinging(evidence, side) : withoutGoal(evidence, side);
    const allowance = isLeg ? longerFoot(evidence, side) : 0;
    const error = new Float64Array(sharedFrames);
    reachErrors(error, root, end, srcRoot, srcEnd, k, target.legLength, allowance, floor);
    const judged = errors.subarray(taken);
    const frames = busy ? takeAndClear(error, busy, judged) : takeAll(error, judged);
    taken += frames;
    details[limb] = { ...spread(judged, frames), frames, allowance };
    places.push(...placesAbove(target, own.roles.end, own.end.joint, error, MEASURE_RULES[id].threshold, 4));
  }
  if (taken === 0) {
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
  const all = spread(errors, taken);
  return measured(evidence, id, all.p95, places, { ...all, ...details });
}

/**
 * How far an end is from where the source's is, seen from the root and times `k`; as shares of a length, less an allowance.
 * Where the floor stops it, it should lie on the floor.
 */
function reachErrors(
  errors: Float64Array,
  root: Float64Array,
  end: Float64Array,
  srcRoot: Float64Array,
  srcEnd: Float64Array,
  k: number,
  length: number,
  allowance: number,
  floor: OnFloor | null,
): void {
  for (let f = 0, i = 0; f < errors.length; f++, i += 3) {
    const x = end[i]! - root[i]! - k * (srcEnd[i]! - srcRoot[i]!);
    const goal = root[i + 1]! + k * (srcEnd[i + 1]! - srcRoot[i + 1]!);
    const y = end[i + 1]! - (floor?.stopped[f] ? floor.least[f]! : goal);
    const z = end[i + 2]! - root[i + 2]! - k * (srcEnd[i + 2]! - srcRoot[i + 2]!);
    errors[f] = Math.max(0, Math.sqrt(x * x + y * y + z * z) / length - allowance);
  }
}

/** Copies the values of frames that are not busy one behind the other and clears the others; returns how many they are. */
function takeAndClear(values: Float64Array, busy: Uint8Array, out: Float64Array): number {
  let count = 0;
  for (let f = 0; f < values.length; f++) {
    if (busy[f]) values[f] = 0;
    else out[count++] = values[f]!;
  }
  return count;
}

function takeAll(values: Float64Array, out: Float64Array): number {
  out.set(values);
  return values.length;
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

/** Frames in which a hand of the source rests on something, or the target's on the floor, or soon will, or just did. */
export const restingOrNear = oncePerKey((evidence: Evidence, side: Side): Uint8Array | null => {
  const floor = handOnFloor(evidence, side);
  return flagsNear(evidence, [evidence.source && restingFrames(evidence.source, side), floor?.stopped]);
});

/** Of those, the ones that tell nothing of where the hand should be: where the floor stops it, it should be on the floor. */
function withoutGoal(evidence: Evidence, side: Side): Uint8Array | null {
  const floor = handOnFloor(evidence, side);
  const resting = flagsNear(evidence, [evidence.source && restingFrames(evidence.source, side)]);
  if (!floor) return resting;
  const onItsWay = flagsNear(evidence, [floor.stopped])!;
  return onItsWay.map((is, f) => ((is && !floor.stopped[f]) || resting?.[f] ? 1 : 0));
}

function flagsNear({ target }: Evidence, sets: readonly (Uint8Array | null | undefined)[]): Uint8Array | null {
  const known = sets.filter((set) => set !== null && set !== undefined);
  if (known.length === 0) return null;
  const flags = new Uint8Array(target.frameCount);
  for (const set of known) flagAround(flags, set, Math.round(HAND_RAMP / target.frameDuration));
  return flags;
}

function flagAround(flags: Uint8Array, set: Uint8Array, ramp: number): void {
  for (let f = 0; f < set.length; f++) if (set[f] === 1) flags.fill(1, Math.max(0, f - ramp), f + ramp + 1);
}

/** Frames in which a hand rests on something; null without a hand. */
const restingFrames = oncePerKey((track: Track, side: Side): Uint8Array | null => {
  const hand = `${side}Hand` as const;
  const other = side === 'left' ? 'right' : 'left';
  const joint = track.figure.roles[hand];
  if (joint === undefined) return null;
  const flags = new Uint8Array(track.frameCount);
  for (const { part, near } of RESTING) {
    const role =
      part === 'otherHand' ? (`${other}Hand` as const) : part === 'otherForearm' ? (`${other}LowerArm` as const) : part;
    const its = partnerPath(track, hand, role);
    if (its) flagNear(flags, jointPath(track, joint), its, near * track.legLength);
  }
  flagLow(flags, jointPath(track, joint), RESTING_HEIGHT * track.legLength);
  return flags;
});

function flagNear(flags: Uint8Array, a: Float64Array, b: Float64Array, near: number): void {
  for (let f = 0, i = 0; f < flags.length; f++, i += 3) {
    const x = a[i]! - b[i]!;
    const y = a[i + 1]! - b[i + 1]!;
    const z = a[i + 2]! - b[i + 2]!;
    if (x * x + y * y + z * z < near * near) flags[f] = 1;
  }
}

function flagLow(flags: Uint8Array, path: Float64Array, height: number): void {
  for (let f = 0; f < flags.length; f++) if (path[f * 3 + 1]! < height) flags[f] = 1;
}

/** Path of what joint `a` may touch; null where one of both is missing. */
function partnerPath(track: Track, a: Role, b: Role): Float64Array | null {
  const ja = track.figure.roles[a];
  const jb = track.figure.roles[b];
  if (ja === undefined || jb === undefined || ja === jb || !track.legLength) return null;
  return jointPath(track, jb);
}
