import { oncePerKey } from '../skeleton/once-per.ts';
import { SIDES } from '../skeleton/side.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import {
  degreesOutside,
  JOINT_RANGES,
  type JointCurve,
  type JointRange,
  jointAngles,
  jointCurve,
} from './joint-angles.ts';
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
      const curve = jointCurve(target, range.joint, side);
      if (!curve || !limb) continue;
      taken++;
      const its = source && outsideOf(source, range)[side];
      const excess = new Float64Array(target.frameCount);
      const others = excesses(excess, curve, its ?? NONE, range);
      const [low, high] = extremes(jointAngles(target, `${side} ${range.joint}`)!);
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
          note: `${range.joint}, ${range.positive} ${curve.degrees[place.worstFrame]!.toFixed(0)}°`,
        });
    }
  if (taken === 0 || target.frameCount === 0)
    return notMeasured(evidence, 'range-of-motion', 'no limb with three joints was paired');
  return measured(evidence, 'range-of-motion', worst, places, details);
}

const NONE = new Float64Array(0);

/** How far the source leaves a range, by side, in each frame; null where joints are missing. */
const outsideOf = oncePerKey((source: Track, range: JointRange) => {
  const ofSide = (side: 'left' | 'right'): Float64Array | null => {
    const curve = jointCurve(source, range.joint, side);
    if (!curve) return null;
    const excess = new Float64Array(curve.degrees.length);
    excesses(excess, curve, NONE, range);
    return excess;
  };
  return { left: ofSide('left'), right: ofSide('right') };
});

/**
 * Degrees outside of a range, less what another figure is outside in the same frame. Returns the most that the other figure is
 * outside in frames in which this one can be told.
 */
function excesses(excess: Float64Array, curve: JointCurve, other: Float64Array, range: JointRange): number {
  let others = 0;
  for (let f = 0; f < excess.length; f++) {
    const outside = degreesOutside(curve, range, f);
    const its = f < other.length ? other[f]! : 0;
    if (its > others && !Number.isNaN(curve.degrees[f]!)) others = its;
    excess[f] = outside > its ? outside - its : 0;
  }
  return others;
}

/** The lowest and the highest of values that may be NaN; an empty range where all are. */
function extremes(values: Float64Array): [number, number] {
  let low = Number.POSITIVE_INFINITY;
  let high = Number.NEGATIVE_INFINITY;
  for (let f = 0; f < values.length; f++) {
    if (values[f]! < low) low = values[f]!;
    if (values[f]! > high) high = values[f]!;
  }
  return [low, high];
}

function largest(values: Float64Array): number {
  let most = 0;
  for (let f = 0; f < values.length; f++) if (values[f]! > most) most = values[f]!;
  return most;
}
