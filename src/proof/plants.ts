import { distanceVec } from '../math/vec.ts';
import { sidedRole } from '../pairing/roles.ts';
import { oncePer, oncePerKey } from '../skeleton/once-per.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { jointName } from './build.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import { footPointsOf } from './foot-points.ts';
import { arrayFor } from './joint-paths.ts';
import type { BodyPoint, Measure, PlantRecord, Where } from './measure.ts';
import { flagsOf, type Span } from './spans.ts';
import { quantile, spread } from './statistics.ts';
import { MEASURE_RULES } from './thresholds.ts';
import { pathOf, type Track } from './track.ts';
import { unreachedOnTarget, unreachedRemedy } from './unreached.ts';

/** Directions in which the extent of a path is taken: at 5.6 degrees apart the widest is missed by 0.12 % at most. */
const DIRECTIONS = 32;
const COS = Float64Array.from({ length: DIRECTIONS }, (_, i) => Math.cos((Math.PI * i) / DIRECTIONS));
const SIN = Float64Array.from({ length: DIRECTIONS }, (_, i) => Math.sin((Math.PI * i) / DIRECTIONS));
/** 0 to 31 with their five bits reversed. */
const ORDER = Uint8Array.from({ length: DIRECTIONS }, (_, i) =>
  Number.parseInt([...i.toString(2).padStart(5, '0')].reverse().join(''), 2),
);

/** A leg is at full stretch when less than this share of its length is left. */
const FULL_STRETCH = 0.004;
/** A contact this far above the floor (share of leg length, in the source) is taken for a step or a box. */
const STEP_HEIGHT = 0.05;

interface FootPaths {
  side: Side;
  heel: Float64Array;
  ball: Float64Array;
  toe: Float64Array | null;
}

/** Plant drift and travel, foot-roll slip, penetration and float; and the record of every contact. */
export function measureFeet(evidence: Evidence): { measures: Measure[]; plants: PlantRecord[] } {
  const { target, feet } = evidence;
  const paths: FootPaths[] = [];
  for (const side of SIDES) {
    const points = feet[side];
    if (points === null) continue;
    const follow = (point: BodyPoint) => groundPath(target, point, evidence.groundVelocity);
    paths.push({
      side,
      heel: follow(points.heel),
      ball: follow(points.ball),
      toe: points.toe ? follow(points.toe) : null,
    });
  }
  if (paths.length === 0 || target.frameCount === 0 || target.legLength === 0) {
    const why = target.frameCount === 0 ? 'the clip has no frames' : 'no leg with thigh, shin and foot was paired';
    const ids = ['plant-drift', 'plant-travel', 'foot-roll-slip', 'penetration', 'float'] as const;
    return { measures: ids.map((id) => notMeasured(evidence, id, why)), plants: [] };
  }
  const { measures, plants } = standing(evidence, paths);
  return { measures: [...measures, penetration(evidence, paths), floating(evidence, paths)], plants };
}

/** Horizontal distance from the middle (median) of each contact, as a share of leg length; 0 outside contacts. */
export function driftOf(path: Float64Array, spans: readonly Span[], legLength: number): Float64Array {
  const drift = new Float64Array(path.length / 3);
  for (const [first, last] of spans) {
    const x = medianOf(path, first, last, 0);
    const z = medianOf(path, first, last, 2);
    awayFrom(drift, path, first, last, x, z, legLength);
  }
  return drift;
}

function awayFrom(
  out: Float64Array,
  path: Float64Array,
  first: number,
  last: number,
  x: number,
  z: number,
  length: number,
): void {
  for (let f = first; f <= last; f++) {
    const dx = path[f * 3]! - x;
    const dz = path[f * 3 + 2]! - z;
    out[f] = Math.sqrt(dx * dx + dz * dz) / length;
  }
}

/** Path of a point over ground that may itself move. It may be shared: read it only. */
function groundPath(track: Track, point: BodyPoint, velocity: readonly [number, number, number]): Float64Array {
  const path = pathOf(track, point);
  if (velocity.every((v) => v === 0)) return path;
  return path.map((value, i) => value - velocity[i % 3]! * Math.floor(i / 3) * track.frameDuration);
}

interface Paths {
  heel: Float64Array;
  ball: Float64Array;
}

/** Points that are tried between the ends of a tread, both included. */
const TREAD_POINTS = 9;

/**
 * Paths of the points that carry heel and front of a foot, over ground that may move. A foot turns on some point of its
 * heel's tread, and one that has no toes joint rolls over its ball, its toe end or what lies between. Any of them is right,
 * so each contact is given the point that stands best.
 */
export const carryingPaths = oncePerKey((evidence: Evidence, side: Side): Paths | null => {
  const { target, feet, spans, groundVelocity } = evidence;
  const foot = feet[side];
  if (!foot) return null;
  const isRigid = foot.ball.joint === foot.heel.joint;
  const best = (from: BodyPoint, to: BodyPoint | null, contacts: readonly Span[]) => {
    const start = groundPath(target, from, groundVelocity);
    if (to === null) return start;
    const end = groundPath(target, to, groundVelocity);
    const path = arrayFor(target.paths, start.length);
    path.set(start);
    for (const [first, last] of contacts) {
      const t = steadiest(start, end, first, last);
      if (t > 0) lerpPath(path, start, end, t, first, last);
    }
    return path;
  };
  return {
    heel: best(foot.heel, foot.heelFront, spans[side].heel),
    ball: best(foot.ball, isRigid ? foot.toe : null, spans[side].ball),
  };
});

let tried = new Float64Array(3 * 1024);

/** How far from one path towards another lies the one that travels least in a span. */
function steadiest(start: Float64Array, end: Float64Array, first: number, last: number): number {
  if (tried.length < last * 3 + 3) tried = new Float64Array(last * 6);
  let best = 0;
  let least = travelOf(start, first, last);
  for (let i = 1; i < TREAD_POINTS; i++) {
    const t = i / (TREAD_POINTS - 1);
    lerpPath(tried, start, end, t, first, last);
    const travel = travelOf(tried, first, last, least);
    if (travel >= least) continue;
    least = travel;
    best = t;
  }
  return best;
}

function lerpPath(
  out: Float64Array,
  start: Float64Array,
  end: Float64Array,
  t: number,
  first: number,
  last: number,
): void {
  for (let k = first * 3; k < last * 3 + 3; k++) out[k] = start[k]! + t * (end[k]! - start[k]!);
}

/**
 * Largest horizontal distance between two positions of a span, metres.
 * @param enough  no more than this is asked for: the search ends where it is reached
 */
function travelOf(path: Float64Array, first: number, last: number, enough = Number.POSITIVE_INFINITY): number {
  let widest = 0;
  for (let i = 0; i < DIRECTIONS && widest < enough; i++) {
    // Directions far from those before come first: 0, 90, 45, 135 degrees and so on.
    const width = extentAlong(path, first, last, COS[ORDER[i]!]!, SIN[ORDER[i]!]!);
    if (width > widest) widest = width;
  }
  return widest;
}

function extentAlong(path: Float64Array, first: number, last: number, cos: number, sin: number): number {
  let low = Number.POSITIVE_INFINITY;
  let high = Number.NEGATIVE_INFINITY;
  for (let f = first; f <= last; f++) {
    const along = path[f * 3]! * cos + path[f * 3 + 2]! * sin;
    if (along < low) low = along;
    if (along > high) high = along;
  }
  return high - low;
}

function standing(evidence: Evidence, paths: FootPaths[]): { measures: Measure[]; plants: PlantRecord[] } {
  const { target, spans, feet } = evidence;
  const { legLength, frameCount, frameDuration } = target;
  const plants: PlantRecord[] = [];
  const drifts: number[] = [];
  const driftPlaces: Where[] = [];
  const travelPlaces: Where[] = [];
  const slipPlaces: Where[] = [];
  let travelWorst = 0;
  let slipWorst = 0;
  let rolls = 0;
  for (const { side } of paths) {
    const reserve = legReserve(target, side);
    const carrying = carryingPaths(evidence, side)!;
    for (const point of ['heel', 'ball'] as const) {
      const path = carrying[point];
      const joint = feet[side]![point].joint;
      const role =
        point === 'ball' && joint !== feet[side]!.heel.joint ? sidedRole(side, 'Toes') : sidedRole(side, 'Foot');
      const name = jointName(target.figure, joint);
      const drift = driftOf(path, spans[side][point], legLength);
      for (const [first, last] of spans[side][point]) {
        let height = 0;
        let slack = Number.POSITIVE_INFINITY;
        let least = 1;
        let worstFrame = first;
        for (let f = first; f <= last; f++) {
          drifts.push(drift[f]!);
          height += path[f * 3 + 1]! / legLength / (last - first + 1);
          // Only where the point leaves its plant does a stretched leg explain anything.
          if (reserve && drift[f]! > MEASURE_RULES['plant-drift'].threshold) slack = Math.min(slack, reserve[f]!);
          least = Math.min(least, reserve ? reserve[f]! : 0);
          if (drift[f]! > drift[worstFrame]!) worstFrame = f;
        }
        const travel = travelOf(path, first, last) / legLength;
        travelWorst = Math.max(travelWorst, travel);
        const note = `${point}${slack < FULL_STRETCH ? '; the leg is at full stretch here: the plant may be out of reach' : ''}`;
        travelPlaces.push({ role, joint: name, frames: [first, last], worstFrame, value: travel, note });
        plants.push({
          side,
          point,
          frames: [first, last],
          start: first * frameDuration,
          end: last * frameDuration,
          travel,
          height,
          reserve: least,
        });
      }
      for (const place of placesAbove(target, role, joint, drift, MEASURE_RULES['plant-drift'].threshold))
        driftPlaces.push({ ...place, note: point });
      const other = flagsOf(spans[side][point === 'heel' ? 'ball' : 'heel'], frameCount);
      for (const [first, last] of rollSpans(spans[side][point], other)) {
        rolls++;
        const slip = travelOf(path, first, last) / legLength;
        slipWorst = Math.max(slipWorst, slip);
        slipPlaces.push({ role, joint: name, frames: [first, last], worstFrame: last, value: slip, note: point });
      }
    }
  }
  if (drifts.length === 0) {
    const why = 'no contact of a foot with the floor was found';
    return {
      measures: (['plant-drift', 'plant-travel', 'foot-roll-slip'] as const).map((id) =>
        notMeasured(evidence, id, why),
      ),
      plants,
    };
  }
  if (evidence.options.inPlace) {
    const why = 'the travel of the root was removed on purpose, so feet cannot stand';
    return {
      measures: (['plant-drift', 'plant-travel', 'foot-roll-slip'] as const).map((id) =>
        notMeasured(evidence, id, why),
      ),
      plants,
    };
  }
  const stretched = travelPlaces.filter((p) => p.value > MEASURE_RULES['plant-travel'].threshold);
  const outOfReach = stretched.length > 0 && stretched.every((place) => place.note?.includes('out of reach'));
  const stretchRemedy = outOfReach
    ? 'The leg is at full stretch in these contacts and may be too short for them: allow limbs to stretch a little (--allow-stretch 5), or lengthen the legs of the rig.'
    : undefined;
  const unreached = unreachedOnTarget(evidence) ?? [];
  const remedyOf = (id: 'plant-drift' | 'plant-travel' | 'foot-roll-slip', places: readonly Where[]) => {
    const threshold = evidence.options.thresholds?.[id] ?? MEASURE_RULES[id].threshold;
    const otherwise = id === 'foot-roll-slip' ? undefined : stretchRemedy;
    const failing = places.filter((place) => place.value > threshold);
    return unreachedRemedy(failing, unreached, otherwise ?? MEASURE_RULES[id].remedy) ?? otherwise;
  };
  const { median, p95, worst } = spread(drifts);
  return {
    measures: [
      measured(
        evidence,
        'plant-drift',
        p95,
        driftPlaces,
        { median, p95, worst, frames: drifts.length },
        remedyOf('plant-drift', driftPlaces),
      ),
      measured(
        evidence,
        'plant-travel',
        travelWorst,
        travelPlaces,
        { contacts: plants.length, worstMetres: travelWorst * legLength },
        remedyOf('plant-travel', travelPlaces),
      ),
      rolls > 0
        ? measured(
            evidence,
            'foot-roll-slip',
            slipWorst,
            slipPlaces,
            { rolls, worstMetres: slipWorst * legLength },
            remedyOf('foot-roll-slip', slipPlaces),
          )
        : notMeasured(evidence, 'foot-roll-slip', 'no foot rolls: heel and ball always stand together'),
    ],
    plants,
  };
}

function medianOf(path: Float64Array, first: number, last: number, k: number): number {
  const values = new Float64Array(last - first + 1);
  for (let f = first; f <= last; f++) values[f - first] = path[f * 3 + k]!;
  return quantile(values, 0.5);
}

/** What is left of the leg's length in each frame, as a share of it. */
function legReserve(track: Track, side: Side): Float64Array | null {
  const leg = track.limbs[`${side}Leg`];
  if (!leg) return null;
  const root = pathOf(track, leg.root);
  const end = pathOf(track, leg.end);
  const full = leg.upper + leg.lower;
  const left = new Float64Array(track.frameCount);
  leftOf(left, root, end, full);
  return left;
}

/** out = the share of a length that the distance of two paths leaves in each frame. */
function leftOf(out: Float64Array, a: Float64Array, b: Float64Array, full: number): void {
  for (let f = 0; f < out.length; f++) out[f] = (full - distanceVec(a, f * 3, b, f * 3)) / full;
}

/** The parts of the spans, two frames or longer, in which the other point does not stand. */
function rollSpans(spans: readonly Span[], other: Uint8Array): Span[] {
  const found: Span[] = [];
  for (const [first, last] of spans) {
    let start = -1;
    for (let f = first; f <= last + 1; f++) {
      const alone = f <= last && !other[f];
      if (alone && start < 0) start = f;
      if (!alone && start >= 0) {
        if (f - 1 > start) found.push([start, f - 1]);
        start = -1;
      }
    }
  }
  return found;
}

function penetration(evidence: Evidence, paths: FootPaths[]): Measure {
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

function floating(evidence: Evidence, paths: FootPaths[]): Measure {
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
