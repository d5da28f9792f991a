import type { Role } from '../pairing/roles.ts';
import { oncePerKey } from '../skeleton/once-per.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { wholeLegTurns } from './capture-faults.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import {
  ankleBackwards,
  bendInWords,
  degreesOutside,
  extremesShown,
  JOINT_RANGES,
  type JointRange,
  jointCurve,
} from './joint-angles.ts';
import type { Json, Measure, Where } from './measure.ts';
import { windowMax } from './second-differences.ts';
import { MEASURE_RULES } from './thresholds.ts';
import type { Track } from './track.ts';

/** How far joints leave their published ranges, where the source does not leave them as far. */
export function measureRanges(evidence: Evidence): Measure {
  const { target, source } = evidence;
  const places: Where[] = [];
  const details: { [key: string]: Json } = {};
  let worst = 0;
  let taken = 0;
  // Of one joint after the other.
  const excess = new Float64Array(target.frameCount);
  for (const range of JOINT_RANGES)
    for (const side of SIDES) {
      const name = range.joint === 'elbow' ? (`${side}Arm` as const) : (`${side}Leg` as const);
      const limb = target.limbs[name];
      const curve = jointCurve(target, range.joint, side);
      if (!curve || !limb) continue;
      taken++;
      const { degrees, inPlane } = curve;
      degreesOutside(excess, degrees, inPlane, range.min, range.max);
      const others = takeOther(excess, degrees, (source && outsideNear(source, range)[side]) ?? NONE);
      const faults = source && range.joint !== 'elbow' ? wholeLegTurns(source, side) : null;
      if (faults) clearWhere(excess, faults);
      const [low, high] = extremesShown(degrees, inPlane);
      worst = Math.max(worst, largest(excess));
      if (high >= low)
        details[`${side} ${range.joint}`] = {
          positive: range.positive,
          min: low,
          max: high,
          range: [range.min, range.max],
          sourceExcess: others,
        };
      const joint =
        range.joint === 'hip' ? limb.root.joint : range.joint === 'ankle' ? limb.end.joint : limb.middle.joint;
      const role =
        range.joint === 'hip' ? limb.roles.root : range.joint === 'ankle' ? limb.roles.end : limb.roles.middle;
      for (const place of placesAbove(target, role, joint, excess, MEASURE_RULES['range-of-motion'].threshold))
        places.push({
          ...place,
          note: bendInWords(range, degrees[place.worstFrame]!),
        });
    }
  if (taken === 0 || target.frameCount === 0)
    return notMeasured(evidence, 'range-of-motion', 'no limb with three joints was paired');
  return measured(evidence, 'range-of-motion', worst, places, details);
}

const NONE = new Float64Array(0);

/** Seconds by which a joint may be ahead of the source's, or behind: ankles of captures go through their range within two frames. */
const LAG = 0.025;

/** How far the source leaves a range in each frame, or just before or after it. */
const outsideNear = oncePerKey((source: Track, range: JointRange) => {
  const { left, right } = outsideOf(source, range);
  const lag = Math.round(LAG / source.frameDuration);
  const near = (excess: Float64Array | null) => excess && windowMax(excess, -lag, lag);
  return { left: near(left), right: near(right) };
});

/** How far the source leaves a range, by side, in each frame; null where joints are missing. */
const outsideOf = oncePerKey((source: Track, range: JointRange) => {
  const ofSide = (side: 'left' | 'right'): Float64Array | null => {
    const curve = jointCurve(source, range.joint, side);
    if (!curve) return null;
    const { degrees, inPlane } = curve;
    const excess = new Float64Array(degrees.length);
    degreesOutside(excess, degrees, inPlane, range.min, range.max);
    takeOther(excess, degrees, NONE);
    return excess;
  };
  return { left: ofSide('left'), right: ofSide('right') };
});

/**
 * Takes from the degrees that a figure is outside of a range those that another is outside in the same frame. Returns the most
 * that the other figure is outside in frames in which this one can be told.
 */
function takeOther(excess: Float64Array, degrees: Float64Array, other: Float64Array): number {
  let others = 0;
  for (let f = 0; f < excess.length; f++) {
    const its = f < other.length ? other[f]! : 0;
    if (its > others && !Number.isNaN(degrees[f]!)) others = its;
    excess[f] = excess[f]! > its ? excess[f]! - its : 0;
  }
  return others;
}

/** Parts of the body whose skin a joint bends. */
const BENT_PARTS: Readonly<Record<JointRange['joint'], (side: Side) => readonly Role[]>> = {
  hip: (side) => ['hips', `${side}UpperLeg`],
  knee: (side) => [`${side}UpperLeg`, `${side}LowerLeg`],
  ankle: (side) => [`${side}LowerLeg`, `${side}Foot`],
  elbow: (side) => [`${side}UpperArm`, `${side}LowerArm`],
};

/**
 * By how many degrees the source bends a part of the body beyond what bodies do, a frame: as captures do whose ankles point
 * backwards. No skin is made for that. Null for a part that it never does.
 */
export const bentBeyond = oncePerKey((source: Track, part: Role): Float64Array | null => {
  const most = new Float64Array(source.frameCount);
  for (const range of JOINT_RANGES)
    for (const side of SIDES) {
      if (!BENT_PARTS[range.joint](side).includes(part)) continue;
      raiseTo(most, outsideOf(source, range)[side]);
      if (range.joint === 'ankle') raiseTo(most, ankleBackwards(source, side));
    }
  return largest(most) > 0 ? most : null;
});

function raiseTo(values: Float64Array, others: Float64Array | null): void {
  if (others) for (let f = 0; f < values.length; f++) if (others[f]! > values[f]!) values[f] = others[f]!;
}

/** Clears values in frames in which a fault turns the leg. */
function clearWhere(values: Float64Array, faults: Float64Array): void {
  for (let f = 0; f < values.length; f++) if (f < faults.length && faults[f]! > 0) values[f] = 0;
}

function largest(values: Float64Array): number {
  let most = 0;
  for (let f = 0; f < values.length; f++) if (values[f]! > most) most = values[f]!;
  return most;
}
