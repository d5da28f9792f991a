/** How far feet go into the floor, and hover above it. */
import { sidedRole } from '../pairing/roles.ts';
import { oncePer, oncePerKey } from '../skeleton/once-per.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import { footPointsOf } from './foot-points.ts';
import type { Measure, Where } from './measure.ts';
import { quantile, spread } from './statistics.ts';
import { MEASURE_RULES } from './thresholds.ts';
import { pathOf, type Track } from './track.ts';

/** A contact this far above the floor (share of leg length, in the source) is taken for a step or a box. */
const STEP_HEIGHT = 0.05;

/** Paths of the points of a foot, over ground that may move. */
export interface FootPaths {
  side: Side;
  heel: Float64Array;
  ball: Float64Array;
  toe: Float64Array | null;
}

export function penetration(evidence: Evidence, paths: FootPaths[]): Measure {
  const { target, feet } = evidence;
  const places: Where[] = [];
  let worst = 0;
  // Of one point after the other.
  const depth = new Float64Array(target.frameCount);
  for (const { side, ...foot } of paths)
    for (const point of ['heel', 'ball', 'toe'] as const) {
      const path = foot[point];
      if (path === null) continue;
      worst = Math.max(worst, depthsOf(depth, path, target.legLength));
      const joint = feet[side]![point]!.joint;
      const role = sidedRole(side, joint === feet[side]!.heel.joint ? 'Foot' : 'Toes');
      for (const place of placesAbove(target, role, joint, depth, MEASURE_RULES.penetration.threshold))
        places.push({ ...place, note: point });
    }
  return measured(evidence, 'penetration', worst, places, {
    worstMetres: worst * target.legLength,
    source: evidence.source && deepest(evidence.source),
  });
}

/** Depth below the floor in each frame as a share of a length, 0 above it; returns the largest. */
function depthsOf(out: Float64Array, path: Float64Array, length: number): number {
  let worst = 0;
  for (let f = 0; f < out.length; f++) {
    const depth = -path[f * 3 + 1]! / length;
    out[f] = Math.max(0, depth);
    if (depth > worst) worst = depth;
  }
  return worst;
}

/** The source's own worst penetration, as a share of its leg length. */
const deepest = oncePer((source: Track): number => {
  const depths = new Float64Array(source.frameCount);
  let worst = 0;
  for (const side of SIDES) {
    const points = footPointsOf(source, side);
    for (const point of points ? [points.heel, points.ball, points.toe] : [])
      if (point) worst = Math.max(worst, depthsOf(depths, pathOf(source, point), source.legLength));
  }
  return worst;
});

export function floating(evidence: Evidence, paths: FootPaths[]): Measure {
  const { target, feet, spans } = evidence;
  const heights: number[] = [];
  const places: Where[] = [];
  // A leg without a foot is carried by an edge of its shin when it tilts; the middle of its end hovers then.
  const withFoot = paths.filter(({ side }) => target.figure.roles[sidedRole(side, 'Foot')] !== undefined);
  if (paths.length > 0 && withFoot.length === 0) return notMeasured(evidence, 'float', 'the legs end without feet');
  for (const { side, heel, ball, toe } of withFoot) {
    const gaps = new Float64Array(target.frameCount);
    const srcLow = evidence.source ? sourceLow(evidence.source, side) : NONE;
    for (const [first, last] of spans[side].foot) {
      const step = stepHeight(srcLow, first, last);
      for (let f = first; f <= last; f++) {
        const lowest = Math.min(heel[f * 3 + 1]!, ball[f * 3 + 1]!, toe ? toe[f * 3 + 1]! : Number.POSITIVE_INFINITY);
        gaps[f] = Math.max(0, lowest / target.legLength - step);
        heights.push(gaps[f]!);
      }
    }
    places.push(
      ...placesAbove(target, sidedRole(side, 'Foot'), feet[side]!.heel.joint, gaps, MEASURE_RULES.float.threshold),
    );
  }
  if (heights.length === 0) return notMeasured(evidence, 'float', 'no contact of a foot with the floor was found');
  const { median, p95, worst } = spread(heights);
  return measured(evidence, 'float', p95, places, { median, p95, worst, worstMetres: worst * target.legLength });
}

/** Height of the lower of heel and ball of the source's foot, as a share of its leg length. */
const sourceLow = oncePerKey((source: Track, side: Side): Float64Array => {
  const points = footPointsOf(source, side);
  if (!points) return NONE;
  const low = new Float64Array(source.frameCount);
  lowerOf(low, pathOf(source, points.heel), pathOf(source, points.ball), source.legLength);
  return low;
});

const NONE = new Float64Array(0);

function lowerOf(out: Float64Array, a: Float64Array, b: Float64Array, length: number): void {
  for (let f = 0; f < out.length; f++) out[f] = Math.min(a[f * 3 + 1]!, b[f * 3 + 1]!) / length;
}

/** Height of what the source's foot stands on in a span: 0 on the floor. */
function stepHeight(srcLow: Float64Array, first: number, last: number): number {
  const height = quantile(srcLow.subarray(first, last + 1), 0.5);
  return height > STEP_HEIGHT ? height : 0;
}
