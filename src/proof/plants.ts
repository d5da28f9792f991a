/** How feet stand: drift and travel of plants, slip of feet that roll. */
import { distanceVec } from '../math/vec.ts';
import { type Role, sidedRole } from '../pairing/roles.ts';
import type { Side } from '../skeleton/side.ts';
import { jointName } from './build.ts';
import { carryingPaths, travelOf } from './carrying-paths.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import type { Measure, PlantRecord, Where } from './measure.ts';
import { flagsOf, type Span } from './spans.ts';
import { quantile, spread } from './statistics.ts';
import { MEASURE_RULES } from './thresholds.ts';
import { pathOf, type Track } from './track.ts';
import { unreachedOnTarget, unreachedRemedy } from './unreached.ts';

/** A leg is at full stretch when less than this share of its length is left. */
const FULL_STRETCH = 0.004;

const PLANT_MEASURES = ['plant-drift', 'plant-travel', 'foot-roll-slip'] as const;
type PlantMeasure = (typeof PLANT_MEASURES)[number];

/** What is found of all contacts, in the order of feet, points and time. */
interface Findings {
  plants: PlantRecord[];
  /** Drift in each frame of each contact. */
  drifts: number[];
  driftPlaces: Where[];
  /** One a contact. */
  travelPlaces: Where[];
  /** One a roll. */
  slipPlaces: Where[];
}

/** A point that carries a foot. */
interface Carrier {
  side: Side;
  point: 'heel' | 'ball';
  joint: number;
  role: Role;
  name: string;
  path: Float64Array;
  /** What is left of the leg's length in each frame, where it has one. */
  reserve: Float64Array | null;
}

/** Plant drift and travel, and foot-roll slip; and the record of every contact. */
export function measurePlants(
  evidence: Evidence,
  sides: readonly Side[],
): { measures: Measure[]; plants: PlantRecord[] } {
  const findings: Findings = { plants: [], drifts: [], driftPlaces: [], travelPlaces: [], slipPlaces: [] };
  for (const side of sides)
    for (const carrier of carriersOf(evidence, side)) {
      findContacts(findings, evidence, carrier);
      findRolls(findings, evidence, carrier);
    }
  const why = reasonNotToMeasure(evidence, findings);
  const measures =
    why === null ? measuresOf(evidence, findings) : PLANT_MEASURES.map((id) => notMeasured(evidence, id, why));
  return { measures, plants: findings.plants };
}

function carriersOf(evidence: Evidence, side: Side): Carrier[] {
  const { target, feet } = evidence;
  const foot = feet[side]!;
  const reserve = legReserve(target, side);
  const paths = carryingPaths(evidence, side)!;
  return (['heel', 'ball'] as const).map((point) => {
    const { joint } = foot[point];
    const role = sidedRole(side, point === 'ball' && joint !== foot.heel.joint ? 'Toes' : 'Foot');
    return { side, point, joint, role, name: jointName(target.figure, joint), path: paths[point], reserve };
  });
}

function findContacts(out: Findings, { target, spans }: Evidence, carrier: Carrier): void {
  const { side, point, joint, role, name, path, reserve } = carrier;
  const { legLength, frameDuration } = target;
  const threshold = MEASURE_RULES['plant-drift'].threshold;
  const drift = driftOf(path, spans[side][point], legLength);
  for (const [first, last] of spans[side][point]) {
    for (let f = first; f <= last; f++) out.drifts.push(drift[f]!);
    const travel = travelOf(path, first, last) / legLength;
    const note = isStretched(reserve, drift, first, last, threshold)
      ? `${point}; the leg is at full stretch here: the plant may be out of reach`
      : point;
    const worstFrame = largestIn(drift, first, last);
    out.travelPlaces.push({ role, joint: name, frames: [first, last], worstFrame, value: travel, note });
    out.plants.push({
      side,
      point,
      frames: [first, last],
      start: first * frameDuration,
      end: last * frameDuration,
      travel,
      height: meanHeight(path, first, last, legLength),
      reserve: reserve ? leastIn(reserve, first, last) : 0,
    });
  }
  for (const place of placesAbove(target, role, joint, drift, threshold))
    out.driftPlaces.push({ ...place, note: point });
}

function findRolls(out: Findings, { target, spans }: Evidence, carrier: Carrier): void {
  const { side, point, role, name, path } = carrier;
  const other = flagsOf(spans[side][point === 'heel' ? 'ball' : 'heel'], target.frameCount);
  for (const [first, last] of rollSpans(spans[side][point], other)) {
    const slip = travelOf(path, first, last) / target.legLength;
    out.slipPlaces.push({ role, joint: name, frames: [first, last], worstFrame: last, value: slip, note: point });
  }
}

/** Whether the leg is at full stretch where the point leaves its plant: elsewhere that explains nothing. */
function isStretched(
  reserve: Float64Array | null,
  drift: Float64Array,
  first: number,
  last: number,
  threshold: number,
): boolean {
  if (!reserve) return false;
  for (let f = first; f <= last; f++) if (drift[f]! > threshold && reserve[f]! < FULL_STRETCH) return true;
  return false;
}

/** The first frame of a span with its largest value. */
function largestIn(values: Float64Array, first: number, last: number): number {
  let worst = first;
  for (let f = first; f <= last; f++) if (values[f]! > values[worst]!) worst = f;
  return worst;
}

/** The smallest share of a span, 1 at most. */
function leastIn(shares: Float64Array, first: number, last: number): number {
  let least = 1;
  for (let f = first; f <= last; f++) least = Math.min(least, shares[f]!);
  return least;
}

/** As a share of leg length. */
function meanHeight(path: Float64Array, first: number, last: number, legLength: number): number {
  let height = 0;
  for (let f = first; f <= last; f++) height += path[f * 3 + 1]! / legLength / (last - first + 1);
  return height;
}

function reasonNotToMeasure({ options }: Evidence, { drifts }: Findings): string | null {
  if (drifts.length === 0) return 'no contact of a foot with the floor was found';
  return options.inPlace ? 'the travel of the root was removed on purpose, so feet cannot stand' : null;
}

function measuresOf(evidence: Evidence, findings: Findings): Measure[] {
  const { drifts, driftPlaces, travelPlaces, slipPlaces } = findings;
  const { legLength } = evidence.target;
  const { median, p95, worst } = spread(drifts);
  const travel = largestValue(travelPlaces);
  const slip = largestValue(slipPlaces);
  const remedy = remedies(evidence, travelPlaces);
  return [
    measured(
      evidence,
      'plant-drift',
      p95,
      driftPlaces,
      { median, p95, worst, frames: drifts.length },
      remedy('plant-drift', driftPlaces),
    ),
    measured(
      evidence,
      'plant-travel',
      travel,
      travelPlaces,
      { contacts: travelPlaces.length, worstMetres: travel * legLength },
      remedy('plant-travel', travelPlaces),
    ),
    slipPlaces.length > 0
      ? measured(
          evidence,
          'foot-roll-slip',
          slip,
          slipPlaces,
          { rolls: slipPlaces.length, worstMetres: slip * legLength },
          remedy('foot-roll-slip', slipPlaces),
        )
      : notMeasured(evidence, 'foot-roll-slip', 'no foot rolls: heel and ball always stand together'),
  ];
}

function largestValue(places: readonly Where[]): number {
  return places.reduce((largest, { value }) => Math.max(largest, value), 0);
}

/** What to do about a measure that fails: plants that were out of reach explain it before anything else. */
function remedies(evidence: Evidence, travelPlaces: readonly Where[]) {
  const stretched = travelPlaces.filter((p) => p.value > MEASURE_RULES['plant-travel'].threshold);
  const outOfReach = stretched.length > 0 && stretched.every((place) => place.note?.includes('out of reach'));
  const stretchRemedy = outOfReach
    ? 'The leg is at full stretch in these contacts and may be too short for them: allow limbs to stretch a little (--allow-stretch 5), or lengthen the legs of the rig.'
    : undefined;
  const unreached = unreachedOnTarget(evidence) ?? [];
  return (id: PlantMeasure, places: readonly Where[]) => {
    const threshold = evidence.options.thresholds?.[id] ?? MEASURE_RULES[id].threshold;
    const otherwise = id === 'foot-roll-slip' ? undefined : stretchRemedy;
    const failing = places.filter((place) => place.value > threshold);
    return unreachedRemedy(failing, unreached, otherwise ?? MEASURE_RULES[id].remedy) ?? otherwise;
  };
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
