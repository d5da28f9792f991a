import { oncePerKey } from '../skeleton/once-per.ts';
import { SIDES } from '../skeleton/side.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import { JOINT_RANGES, type JointRange, jointAngles } from './joint-angles.ts';
import type { Json, Measure, Where } from './measure.ts';
import { MEASURE_RULES } from './thresholds.ts';
import type { Track } from './track.ts';

/** How far joints leave their published ranges, where the source does not leave them as far. */
export function measureRanges(evidence: Evidence): Measure {
  const { target, source } = evidence;
  const places: Where[] = [];
  const details: { [key: string]: Json } = {};
  let worst = 0;
  let taken = 0;
  for (const range of JOINT_RANGES)
    for (const side of SIDES) {
      const name = range.joint === 'elbow' ? (`${side}Arm` as const) : (`${side}Leg` as const);
      const limb = target.limbs[name];
      const angles = jointAngles(target, range.joint, side);
      if (!angles || !limb) continue;
      taken++;
      const its = source && outsideOf(source, range)[side];
      const excess = new Float64Array(target.frameCount);
      const { low, high, others } = excesses(excess, angles, its ?? NONE, range.min, range.max);
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
        places.push({ ...place, note: `${range.joint}, ${range.positive} ${angles[place.worstFrame]!.toFixed(0)}°` });
    }
  if (taken === 0 || target.frameCount === 0)
    return notMeasured(evidence, 'range-of-motion', 'no limb with three joints was paired');
  return measured(evidence, 'range-of-motion', worst, places, details);
}

const NONE = new Float64Array(0);

/** How far the source leaves a range, by side, in each frame; null where joints are missing. */
const outsideOf = oncePerKey((source: Track, range: JointRange) => {
  const ofSide = (side: 'left' | 'right'): Float64Array | null => {
    const angles = jointAngles(source, range.joint, side);
    if (!angles) return null;
    const excess = new Float64Array(angles.length);
    excesses(excess, angles, NONE, range.min, range.max);
    return excess;
  };
  return { left: ofSide('left'), right: ofSide('right') };
});

/**
 * Degrees outside of a range, less what another figure is outside in the same frame. Returns the extremes of the angles, and
 * the most that the other figure is outside in frames that have one.
 */
function excesses(
  excess: Float64Array,
  angles: Float64Array,
  other: Float64Array,
  min: number,
  max: number,
): { low: number; high: number; others: number } {
  let others = 0;
  let low = Number.POSITIVE_INFINITY;
  let high = Number.NEGATIVE_INFINITY;
  for (let f = 0; f < angles.length; f++) {
    const angle = angles[f]!;
    // NaN, where the angle cannot be told, is below and above nothing.
    if (angle < low) low = angle;
    if (angle > high) high = angle;
    const outside = angle > max ? angle - max : angle < min ? min - angle : 0;
    const its = f < other.length ? other[f]! : 0;
    if (its > others && !Number.isNaN(angle)) others = its;
    excess[f] = outside > its ? outside - its : 0;
  }
  return { low, high, others };
}

function largest(values: Float64Array): number {
  let most = 0;
  for (let f = 0; f < values.length; f++) if (values[f]! > most) most = values[f]!;
  return most;
}
