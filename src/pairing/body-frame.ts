import type { BodyFrame } from './body.ts';
import { explainFacing, type Facing } from './facing.ts';
import type { Figure } from './figure.ts';
import { heightFromLegs, type Interpretation } from './interpretation.ts';
import type { MeshShape } from './mesh-shape.ts';
import { directionName, dot, nearestAxis, type Point, squareTo, unit } from './point.ts';

/** What a person or a file's standard has settled about the space. */
export interface FrameOverride {
  up?: readonly [number, number, number];
  facing?: readonly [number, number, number];
  metresPerUnit?: number;
}

/** A measured up axis this near to an axis of the file is that axis: rest poses lean. */
const UP_SNAP = (20 * Math.PI) / 180;
/** glTF 2.0 (section 3.4) says +Y is up: a measured one has to differ by more than this to be believed instead. */
const UP_SNAP_DECLARED = (50 * Math.PI) / 180;
/** A facing this near to an axis is that axis: it is square to a plane of symmetry that many joints agree on. */
const FACING_SNAP = (5 * Math.PI) / 180;
/** Facing is in doubt below this certainty. */
const FACING_SURE = 0.9;

/** The up axis of a body: measured, and set to the file's axis that is near. */
export function findUp(
  body: Interpretation,
  declaredUp: Point | null,
  override: FrameOverride,
): { up: Point; evidence: string; isUnsure: boolean } {
  if (override.up) return { up: unit([...override.up]), evidence: 'given by hand', isUnsure: false };
  const measured = body.up;
  const degreesTo = (a: Point): number => (Math.acos(Math.max(-1, Math.min(1, dot(measured, a)))) * 180) / Math.PI;
  const seen = `feet to hips to shoulders point along ${measured.map((v) => v.toFixed(2)).join(', ')}`;
  if (declaredUp && degreesTo(declaredUp) < (UP_SNAP_DECLARED * 180) / Math.PI) {
    const evidence = `${seen}, ${degreesTo(declaredUp).toFixed(0)} degrees from ${directionName(declaredUp)}, which the format declares`;
    return { up: declaredUp, evidence, isUnsure: false };
  }
  if (body.isByName) {
    return { up: declaredUp ?? [0, 1, 0], evidence: 'the pose is no posture: not measured', isUnsure: true };
  }
  const { axis, name, angle } = nearestAxis(measured);
  if (angle < UP_SNAP) {
    return { up: axis, evidence: `${seen}, ${degreesTo(axis).toFixed(0)} degrees from ${name}`, isUnsure: false };
  }
  const against = declaredUp ? `; the format declares ${directionName(declaredUp)}` : '; no axis is near';
  return { up: measured, evidence: `${seen}${against}`, isUnsure: true };
}

/** The whole frame of a body whose up and facing are known. */
export function measureFrame(
  figure: Figure,
  body: Interpretation,
  mesh: MeshShape | null,
  up: { up: Point; evidence: string; isUnsure: boolean },
  facing: Facing,
  override: FrameOverride,
  declaredMetres: boolean,
): BodyFrame {
  const unsure: BodyFrame['unsure'] = [];
  if (up.isUnsure) unsure.push('up');
  let facingDirection = facing.facing;
  let facingText = explainFacing(facing);
  if (override.facing) {
    facingDirection = unit(squareTo([...override.facing], up.up));
    facingText = 'given by hand';
  } else {
    const { axis, angle } = nearestAxis(facing.facing);
    if (angle < FACING_SNAP) facingDirection = axis;
    if (facing.certainty < FACING_SURE || body.isByName) unsure.push('facing');
  }
  const extents = measureHeight(figure, body, mesh, up.up);
  const unitReading = override.metresPerUnit
    ? { metresPerUnit: override.metresPerUnit, evidence: 'given by hand', isUnsure: false }
    : declaredMetres
      ? declaredUnit(extents.height)
      : findUnit(extents.height, heightFromLegs(figure, body.legs));
  if (unitReading.isUnsure) unsure.push('metresPerUnit');
  return {
    up: up.up,
    facing: facingDirection,
    metresPerUnit: unitReading.metresPerUnit,
    height: extents.height,
    floor: extents.floor,
    evidence: {
      up: up.evidence,
      facing: facingText,
      metresPerUnit: unitReading.evidence,
      height: extents.heightText,
      floor: extents.floorText,
    },
    unsure,
  };
}

/**
 * Standing height and floor in the reference pose. The mesh counts where it covers the body: a rig may carry a few quads
 * only. Otherwise the body's joints and tips do; poles, controls and props never count.
 */
function measureHeight(
  figure: Figure,
  body: Interpretation,
  mesh: MeshShape | null,
  up: Point,
): { height: number; floor: number; heightText: string; floorText: string } {
  const { points, tips, skeleton } = figure;
  const joints = new Range();
  const add = (start: number): void => {
    for (let j = start; j < skeleton.subtreeEnd[start]!; j++) {
      for (const p of [points[j]!, ...tips[j]!]) joints.add(dot(p, up));
    }
  };
  add(body.head);
  for (const limb of [...body.legs, ...body.arms]) {
    add(limb.upper);
    if (limb.end !== null) add(limb.end);
  }
  const surface = new Range();
  for (let v = 0; mesh && v < mesh.owner.length; v++) {
    const p: Point = [mesh.positions[v * 3]!, mesh.positions[v * 3 + 1]!, mesh.positions[v * 3 + 2]!];
    if (mesh.owner[v]! >= 0 && p.every(Number.isFinite)) surface.add(dot(p, up));
  }
  const anklesUp = dot(body.anklesAt ?? points[body.legs[0].lower]!, up);
  const low = surface.low < anklesUp ? surface : joints;
  const high = surface.high > dot(points[body.head]!, up) ? surface : joints;
  const what = (range: Range): string => (range === surface ? 'the mesh' : 'joints and tips');
  return {
    height: high.high - low.low,
    floor: low.low,
    heightText: `from ${show(low.low)} (${what(low)}) to ${show(high.high)} (${what(high)}) along up`,
    floorText: `lowest point of ${what(low)} in the reference pose: ${show(low.low)}`,
  };
}

/** Lowest and highest of some numbers. */
class Range {
  low = Number.POSITIVE_INFINITY;
  high = Number.NEGATIVE_INFINITY;
  add(x: number): void {
    if (x < this.low) this.low = x;
    if (x > this.high) this.high = x;
  }
}

/** Units that motion files are written in; the last is common in data whose skeletons are scaled by 0.45 to inches. */
const UNITS = [
  { name: 'metres', metres: 1 },
  { name: 'centimetres', metres: 0.01 },
  { name: 'millimetres', metres: 0.001 },
  { name: 'inches', metres: 0.0254 },
  { name: 'feet', metres: 0.3048 },
  { name: 'inches divided by 0.45', metres: 0.0254 / 0.45 },
] as const;
/** Height of a grown person, m, and the spread of its logarithm: performers, and skeletons that end at the eyes. */
const PERSON_HEIGHT = 1.68;
const PERSON_SPREAD = 0.12;
/** Beyond this many spreads a unit is in doubt, and beyond the second none fits: a person's height is taken instead. */
const UNIT_DOUBT = 1.5;
const UNIT_MAX_MISS = 2.6;

/**
 * The unit that makes the figure as tall as a person, judged by what stands and by leg length (Drillis & Contini).
 */
export function findUnit(
  height: number,
  legHeight: number,
): { metresPerUnit: number; evidence: string; isUnsure: boolean } {
  // A skeleton without a head top or toes is shorter than its owner; legs are whole. The geometric mean leans on both.
  const tall = Math.sqrt(height * legHeight);
  const ranked = UNITS.map((u) => ({
    ...u,
    miss: Math.abs(Math.log((tall * u.metres) / PERSON_HEIGHT)) / PERSON_SPREAD,
  }));
  ranked.sort((a, b) => a.miss - b.miss);
  const [best, second] = [ranked[0]!, ranked[1]!];
  const metres = (k: number): string => `${(tall * k).toFixed(2)} m`;
  if (best.miss > UNIT_MAX_MISS) {
    const metresPerUnit = PERSON_HEIGHT / tall;
    return {
      metresPerUnit,
      evidence: `no usual unit gives the height of a person (${best.name} give ${metres(best.metres)}, ${second.name} ${metres(second.metres)}); ${metresPerUnit.toPrecision(3)} m a unit makes it ${PERSON_HEIGHT} m`,
      isUnsure: true,
    };
  }
  return {
    metresPerUnit: best.metres,
    evidence: `in ${best.name} the figure is ${metres(best.metres)} tall by height and legs; in ${second.name} it would be ${metres(second.metres)}`,
    isUnsure: best.miss > UNIT_DOUBT || second.miss - best.miss < 1,
  };
}

function declaredUnit(height: number): { metresPerUnit: number; evidence: string; isUnsure: boolean } {
  const isOdd = height < 0.4 || height > 3;
  const odd = isOdd ? ', which no person is' : '';
  return {
    metresPerUnit: 1,
    evidence: `the format declares metres; that makes the figure ${height.toFixed(2)} m tall${odd}`,
    isUnsure: false,
  };
}

const show = (x: number): string => x.toPrecision(3);
