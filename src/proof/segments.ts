/**
 * Segments of the body and lines of limbs that are compared between two figures, as keys of the angles between them
 * (`angles.ts`). Ways tried: an array of directions for each of them; now they are read off the paths of their joints, which
 * are there anyway.
 */
import { type Role, sidedRole } from '../pairing/roles.ts';
import { oncePer } from '../skeleton/once-per.ts';
import { SIDES } from '../skeleton/side.ts';
import { keyBetween } from './angles.ts';
import { LIMB_NAMES } from './build.ts';
import type { Evidence } from './evidence.ts';
import { headingsOf } from './foot-points.ts';
import { jointPath, pathOf, type Track } from './track.ts';

/** A segment of the body, and the role a fault is reported on. */
export interface Segment {
  role: Role;
  joint: number;
  line: Line;
}

/** What points somewhere: the way between two paths; the side to which a middle joint stands off it; where a foot heads. */
type Line =
  | { kind: 'way'; from: Float64Array; to: Float64Array }
  | { kind: 'bend'; from: Float64Array; middle: Float64Array; to: Float64Array }
  | { kind: 'heading'; headings: Float64Array };

export type Segments = ReadonlyMap<string, Segment>;

/**
 * Limb segments, and hands where a finger tells their direction. Trunk, collar bones and neck are left out: where their
 * joints sit differs from rig to rig; the trunk has a measure of its own.
 */
export const segments = oncePer((track: Track): Segments => {
  const { roles } = track.figure;
  const result = new Map<string, Segment>();
  const add = (role: Role, joint: number, from: Float64Array, to: Float64Array): void => {
    result.set(role, { role, joint, line: { kind: 'way', from, to } });
  };
  for (const name of LIMB_NAMES) {
    const limb = track.limbs[name];
    if (!limb) continue;
    const middle = pathOf(track, limb.middle);
    add(limb.roles.root, limb.root.joint, pathOf(track, limb.root), middle);
    add(limb.roles.middle, limb.middle.joint, middle, pathOf(track, limb.end));
  }
  for (const [from, to] of [
    ['leftHand', 'leftMiddleProximal'],
    ['rightHand', 'rightMiddleProximal'],
  ] as const) {
    const a = roles[from];
    const b = roles[to];
    if (a !== undefined && b !== undefined && a !== b) add(from, a, jointPath(track, a), jointPath(track, b));
  }
  return result;
});

/**
 * What limbs have in common whatever their proportions: the line from root to end, reported on the upper joint, and the
 * side to which the middle joint stands off it, reported on the middle one. The angles of upper and lower segment are not
 * compared: an arm with a long forearm needs others to bring its hand to the same place.
 */
export function limbLines(track: Track): Segments {
  const result = new Map<string, Segment>();
  for (const name of LIMB_NAMES) {
    const limb = track.limbs[name];
    if (!limb) continue;
    const [from, middle, to] = [pathOf(track, limb.root), pathOf(track, limb.middle), pathOf(track, limb.end)];
    const { root: upper, middle: lower } = limb.roles;
    result.set(upper, { role: upper, joint: limb.root.joint, line: { kind: 'way', from, to } });
    result.set(lower, { role: lower, joint: limb.middle.joint, line: { kind: 'bend', from, middle, to } });
  }
  return result;
}

/**
 * Where feet point on the floor. From ankle to toes a foot slopes differently in every shoe, and a long or stiff one lifts
 * less than the performer's; whether it stands flat is what float and penetration tell.
 */
export function footLines(track: Track, feet: Evidence['feet']): Segments {
  const result = new Map<string, Segment>();
  for (const side of SIDES) {
    const foot = feet[side];
    const role = sidedRole(side, 'Foot');
    if (!foot || track.figure.roles[role] === undefined) continue;
    const headings = headingsOf(track, foot);
    result.set(role, { role, joint: foot.heel.joint, line: { kind: 'heading', headings } });
  }
  return result;
}

/** Keys of the angle between two segments of one kind in each frame, for as many frames as there are keys. */
export function keysOf(keys: Float64Array, { line: a }: Segment, { line: b }: Segment): void {
  if (a.kind === 'way' && b.kind === 'way') keysBetweenWays(keys, a.from, a.to, b.from, b.to);
  else if (a.kind === 'bend' && b.kind === 'bend')
    keysBetweenBends(keys, a.from, a.middle, a.to, b.from, b.middle, b.to);
  else if (a.kind === 'heading' && b.kind === 'heading') keysBetweenHeadings(keys, a.headings, b.headings);
}

function keysBetweenWays(
  keys: Float64Array,
  aFrom: Float64Array,
  aTo: Float64Array,
  bFrom: Float64Array,
  bTo: Float64Array,
): void {
  for (let f = 0, i = 0; f < keys.length; f++, i += 3)
    keys[f] = keyBetween(
      aTo[i]! - aFrom[i]!,
      aTo[i + 1]! - aFrom[i + 1]!,
      aTo[i + 2]! - aFrom[i + 2]!,
      bTo[i]! - bFrom[i]!,
      bTo[i + 1]! - bFrom[i + 1]!,
      bTo[i + 2]! - bFrom[i + 2]!,
    );
}

const one = new Float64Array(3);
const other = new Float64Array(3);

function keysBetweenBends(
  keys: Float64Array,
  aFrom: Float64Array,
  aMiddle: Float64Array,
  aTo: Float64Array,
  bFrom: Float64Array,
  bMiddle: Float64Array,
  bTo: Float64Array,
): void {
  for (let f = 0, i = 0; f < keys.length; f++, i += 3) {
    bendSide(one, aFrom, aMiddle, aTo, i);
    bendSide(other, bFrom, bMiddle, bTo, i);
    keys[f] = keyBetween(one[0]!, one[1]!, one[2]!, other[0]!, other[1]!, other[2]!);
  }
}

/** A limb bent less than this (sine, 25 degrees) has no bend side worth comparing. */
const BENT = 0.42;

/** Of the way from root to middle joint what is square to the line; nothing where the limb is nearly straight. */
function bendSide(out: Float64Array, root: Float64Array, middle: Float64Array, end: Float64Array, i: number): void {
  const lx = end[i]! - root[i]!;
  const ly = end[i + 1]! - root[i + 1]!;
  const lz = end[i + 2]! - root[i + 2]!;
  const ux = middle[i]! - root[i]!;
  const uy = middle[i + 1]! - root[i + 1]!;
  const uz = middle[i + 2]! - root[i + 2]!;
  const square = lx * lx + ly * ly + lz * lz;
  const along = square > 0 ? (ux * lx + uy * ly + uz * lz) / square : 0;
  const x = ux - along * lx;
  const y = uy - along * ly;
  const z = uz - along * lz;
  const isBent = x * x + y * y + z * z > (BENT / 2) * (BENT / 2) * (ux * ux + uy * uy + uz * uz);
  out[0] = isBent ? x : 0;
  out[1] = isBent ? y : 0;
  out[2] = isBent ? z : 0;
}

/** A foot that points down or up by more than 60 degrees has no heading. */
const HAS_HEADING = 0.5;

/** Between unit directions, as they lie on the floor. */
function keysBetweenHeadings(keys: Float64Array, a: Float64Array, b: Float64Array): void {
  const least = HAS_HEADING * HAS_HEADING;
  for (let f = 0, i = 0; f < keys.length; f++, i += 3) {
    const ax = a[i]!;
    const az = a[i + 2]!;
    const bx = b[i]!;
    const bz = b[i + 2]!;
    const haveBoth = ax * ax + az * az > least && bx * bx + bz * bz > least;
    keys[f] = haveBoth ? keyBetween(ax, 0, az, bx, 0, bz) : 0;
  }
}
