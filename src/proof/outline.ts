/**
 * Head and pelvis as columns with an outline of their own, and how far a point is from their skin. A person's stands in where
 * there is no mesh.
 *
 * Tried before: the distance from the joint, times how much broader the part is than the source's. A head that is taller, not
 * broader, then had the hand on it 0.1 of a leg away; and where rigs have their hips joint differs by more than a hand.
 */
import { rotateVec, rotateVecInverse } from '../math/quat.ts';
import { type Role, sidedRole } from '../pairing/roles.ts';
import { oncePerKey } from '../skeleton/once-per.ts';
import { SIDES } from '../skeleton/side.ts';
import { type Build, hipSpan, stature } from './build.ts';
import { partVertices } from './part-vertices.ts';
import { quantile } from './statistics.ts';
import { jointPath, jointTurns, type Track } from './track.ts';

/** Level, from straight ahead toward the left and on around. */
const DIRECTIONS = 8;
const STEP = (2 * Math.PI) / DIRECTIONS;

/** What a path is seen from: the middle between two joints, carried along by a third. */
export interface Seat {
  joint: number;
  /** Its rotation in the rest pose. */
  rest: Float64Array;
  ends: readonly [number, number];
}

/** Lengths in leg lengths. */
export interface Outline {
  seat: Seat;
  /** From the middle to the skin in each direction. */
  radii: Float64Array;
  /** How far it goes above the middle; below, and above a pelvis, the body goes on. */
  top: number;
}

/**
 * A person, as shares of standing height: half the mean of head breadth and length, crown over ear height; hips
 * beyond the hip joints, and before and behind them. Common anthropometry, no source.
 */
const PERSON = { head: 0.05, crown: 0.1, aside: 0.05, ahead: 0.05, behind: 0.08 } as const;
/** What of a mesh is no farther above or below the hip joints is its pelvis. Leg lengths. */
const PELVIS = 0.15;
/** So many of the vertices in a direction lie within: hair, horns and what hangs at a belt stand off. */
const WITHIN = 0.85;
/** A direction with fewer vertices than this tells nothing. */
const ENOUGH_VERTICES = 4;
/** A vertex tells of the directions that are no farther from it than this. */
const SPREAD = Math.cos((Math.PI / 180) * 35);

/** Null where a joint is missing. */
export const outlineOf = oncePerKey((build: Build, part: 'head' | 'hips'): Outline | null => {
  const { roles } = build.figure;
  const joint = roles[part];
  const [a, b] = part === 'head' ? [joint, joint] : [roles.leftUpperLeg, roles.rightUpperLeg];
  if (joint === undefined || a === undefined || b === undefined || !build.legLength) return null;
  const outline = personOutline(build, part, seatBetween(build, joint, a, b));
  measureMesh(build, part, outline);
  return outline;
});

export function seatBetween({ rest }: Build, joint: number, a: number, b: number): Seat {
  return { joint, rest: rest.rotations.slice(joint * 4, joint * 4 + 4), ends: [a, b] };
}

function personOutline(build: Build, part: 'head' | 'hips', seat: Seat): Outline {
  const height = stature(build);
  const isHead = part === 'head';
  const aside = isHead ? PERSON.head * height : hipSpan(build) / 2 + PERSON.aside * height;
  const ahead = isHead ? aside : PERSON.ahead * height;
  const behind = isHead ? aside : PERSON.behind * height;
  const radii = new Float64Array(DIRECTIONS);
  for (let i = 0; i < DIRECTIONS; i++) {
    const [x, z] = [Math.sin(i * STEP), Math.cos(i * STEP)];
    // An ellipse, where the rest pose tells which way is ahead.
    radii[i] = build.standing ? 1 / Math.hypot(x / aside, z / (z > 0 ? ahead : behind)) : (aside + ahead) / 2;
  }
  return {
    seat,
    radii,
    top: isHead ? PERSON.crown * height : Number.POSITIVE_INFINITY,
  };
}

/** Takes what the mesh shows in the rest pose in place of a person's. */
function measureMesh(build: Build, part: 'head' | 'hips', outline: Outline): void {
  const { rest, legLength } = build;
  const isHead = part === 'head';
  const [a, b] = outline.seat.ends;
  const middle = [0, 1, 2].map((k) => (rest.positions[a * 3 + k]! + rest.positions[b * 3 + k]!) / 2);
  // Arms hang beside the hips; all else near them is what a hand may rest on.
  const vertices = partVertices(build, isHead ? below(build, ['head'], 1) : below(build, ARMS, 0));
  const level: number[][] = Array.from({ length: DIRECTIONS }, () => []);
  const heights: number[] = [];
  for (let v = 0; v < vertices.length; v += 3) {
    const [x, y, z] = [0, 1, 2].map((k) => (vertices[v + k]! - middle[k]!) / legLength) as [number, number, number];
    if (!isHead && Math.abs(y) > PELVIS) continue;
    heights.push(y);
    const far = Math.hypot(x, z);
    for (let i = 0; i < DIRECTIONS; i++)
      if (x * Math.sin(i * STEP) + z * Math.cos(i * STEP) >= SPREAD * far) level[i]!.push(far);
  }
  level.forEach((distances, i) => {
    if (distances.length >= ENOUGH_VERTICES) outline.radii[i] = quantile(distances, WITHIN);
  });
  if (!isHead || heights.length < ENOUGH_VERTICES) return;
  outline.top = quantile(heights, 0.97);
}

const ARMS: readonly Role[] = SIDES.map((side) => sidedRole(side, 'UpperArm'));

/** `is` for joints of these roles and all below them, the opposite for others. */
function below({ figure: { skeleton, roles } }: Build, tops: readonly Role[], is: 0 | 1): Uint8Array {
  const flags = new Uint8Array(skeleton.jointCount).fill(1 - is);
  for (const top of tops) {
    const joint = roles[top];
    if (joint !== undefined) flags.fill(is, joint, skeleton.subtreeEnd[joint]!);
  }
  return flags;
}

/**
 * Where a path lies as seen from a seat: leg lengths, x to the left, y up and z ahead as in the rest pose; frames × 3. NaN
 * where it is farther away than `reach`, and in frames without a flag.
 */
export function seenFrom(
  track: Track,
  { joint, rest, ends }: Seat,
  path: Float64Array,
  reach: number,
  flags: Uint8Array | null = null,
): Float64Array {
  const out = new Float64Array(path.length).fill(Number.NaN);
  const [a, b] = [jointPath(track, ends[0]), jointPath(track, ends[1])];
  carryBack(out, path, a, b, jointTurns(track, joint), rest, track.legLength, reach, flags);
  return out;
}

function carryBack(
  out: Float64Array,
  path: Float64Array,
  a: Float64Array,
  b: Float64Array,
  turns: Float64Array,
  rest: Float64Array,
  length: number,
  reach: number,
  flags: Uint8Array | null,
): void {
  const most = reach * reach * length * length;
  for (let f = 0, i = 0; i < out.length; f++, i += 3) {
    if (flags !== null && flags[f] !== 1) continue;
    const x = path[i]! - (a[i]! + b[i]!) / 2;
    const y = path[i + 1]! - (a[i + 1]! + b[i + 1]!) / 2;
    const z = path[i + 2]! - (a[i + 2]! + b[i + 2]!) / 2;
    if (x * x + y * y + z * z > most) continue;
    out[i] = x / length;
    out[i + 1] = y / length;
    out[i + 2] = z / length;
    rotateVecInverse(out, i, turns, f * 4, out, i);
    rotateVec(out, i, rest, 0, out, i);
  }
}

/**
 * How far a path is over the skin, given as seen from the seat of the outline, as shares of a leg: 0 inside, NaN where it is far.
 * @param thick  what is taken off for the thickness of what lies there
 */
export function gapsOver({ radii, top }: Outline, seen: Float64Array, thick: number): Float64Array {
  const gaps = new Float64Array(seen.length / 3).fill(Number.NaN);
  for (let f = 0, i = 0; f < gaps.length; f++, i += 3) {
    const x = seen[i]!;
    if (Number.isNaN(x)) continue;
    const y = seen[i + 1]!;
    const z = seen[i + 2]!;
    const turn = (Math.atan2(x, z) / STEP + DIRECTIONS) % DIRECTIONS;
    const before = Math.floor(turn);
    const radius = radii[before]! + (turn - before) * (radii[(before + 1) % DIRECTIONS]! - radii[before]!);
    const level = Math.max(0, Math.sqrt(x * x + z * z) - radius);
    const upright = Math.max(0, y - top);
    gaps[f] = Math.max(0, Math.sqrt(level * level + upright * upright) - thick);
  }
  return gaps;
}
