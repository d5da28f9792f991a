/**
 * Corners in the bend of a knee that carries a plant. A leg that is held at its full stretch bends within a frame where it is
 * let go, and one that meets its full stretch stops bending within a frame, however smoothly pelvis and plant move. So the bend
 * that is added to the performer's may not change its pace at once: its second differences cost.
 *
 * The bend of a leg of length L that spans a distance d is told as √(L² − d²): for equal segments L · sin of half the knee's
 * angle. In place of the angle, because its slope stays finite next to the straight leg once it is continued from STRAIGHT on.
 */
import type { FrameSpan } from './hold.ts';
import type { ReachLeg } from './reach-leg.ts';

/** From here on (bend / L)² a straighter leg's bend goes on along its tangent: 16 degrees of the knee. */
const STRAIGHT = 0.02;
/** A knee that changes its pace by so much from one frame to the next, against the performer's, has a corner: rad, 3.4 degrees. */
const CORNER = 0.06;
/**
 * rad/s². What changes its pace by more, before the pelvis gives way, is no person's but a fault of the capture, and pulls less
 * the more it does; no source. The quickest knees of the shared clips change it by 33,000 degrees a second squared.
 */
const FAULT = 1050;

/** What is known of a leg's bend whatever the pelvis does. */
export interface KneeBend {
  /** Bend of the performer, metres, a frame. */
  usual: Float64Array;
  /** How far the frame and the two before it are meant, 0 to 1: see FAULT. */
  trust: Float64Array;
}

/** @param shifts  of the pelvis before any leg asks for its own, frames × 3 */
export function kneeBend(leg: ReachLeg, shifts: Float64Array, frameDuration: number): KneeBend {
  const { extensions, reaches, length } = leg;
  const usual = extensions.map((extension, f) => bendAt(Math.min(extension, reaches[f]!), length));
  const corners = cornersOf(leg, usual, shifts);
  // Half of the knee's angle shows in the bend.
  const fault = (FAULT / 2) * frameDuration ** 2 * length;
  return { usual, trust: corners.map((corner) => (1 + (corner / fault) ** 2) ** -2) };
}

/**
 * Stretches around frames in which a knee changes its pace at once while its foot stands, as disjoint spans.
 * @param around  frames before and after such a frame
 */
export function cornerSpans(
  legs: readonly ReachLeg[],
  bends: readonly KneeBend[],
  shifts: Float64Array,
  around: number,
): FrameSpan[] {
  const frameCount = shifts.length / 3;
  const isCorner = new Uint8Array(frameCount);
  legs.forEach((leg, l) => {
    const { usual, trust } = bends[l]!;
    const corners = cornersOf(leg, usual, shifts);
    const most = (CORNER / 2) * leg.length;
    for (let f = 0; f < frameCount; f++)
      if (Math.abs(corners[f]!) > most && leg.held[f]! > 0.5 && trust[f]! > 0.5) isCorner[f] = 1;
  });
  const spans: FrameSpan[] = [];
  for (let f = 0; f < frameCount; f++) {
    if (!isCorner[f]) continue;
    const first = Math.max(0, f - around);
    const last = Math.min(frameCount - 1, f + around);
    const before = spans[spans.length - 1];
    if (before && first <= before.last + 1) before.last = last;
    else spans.push({ first, last });
  }
  return spans;
}

/** Second differences of the bend that is added to the performer's, at their last frame; 0 where the foot is free. */
function cornersOf({ hips, goals, held, reaches, length }: ReachLeg, usual: Float64Array, shifts: Float64Array) {
  const corners = new Float64Array(held.length);
  let before = 0;
  let first = 0;
  for (let f = 0, at = 0; f < held.length; f++, at += 3) {
    const x = goals[at]! - hips[at]! - shifts[at]!;
    const y = goals[at + 1]! - hips[at + 1]! - shifts[at + 1]!;
    const z = goals[at + 2]! - hips[at + 2]! - shifts[at + 2]!;
    const added = bendAt(Math.min(Math.sqrt(x * x + y * y + z * z), reaches[f]!), length) - usual[f]!;
    if (f >= 2 && held[f]! > 0 && held[f - 1]! > 0 && held[f - 2]! > 0) corners[f] = added - 2 * before + first;
    first = before;
    before = added;
  }
  return corners;
}

function bendAt(distance: number, length: number): number {
  const square = 1 - (distance / length) ** 2;
  if (square >= STRAIGHT) return length * Math.sqrt(square);
  const edge = Math.sqrt(STRAIGHT);
  return length * (edge + (square - STRAIGHT) / (2 * edge));
}

/**
 * Adds weight · |second differences of the added bend|², linearised about the shifts as they are, to the system of
 * `solveSmoothPath`.
 * @param far  its third array
 */
export function addCorners(
  { hips, goals, held, reaches, length }: ReachLeg,
  { usual, trust }: KneeBend,
  weight: number,
  shifts: Float64Array,
  blocks: Float64Array,
  couplings: Float64Array,
  far: Float64Array,
  right: Float64Array,
): void {
  const edge = Math.sqrt(STRAIGHT);
  // Of the frame before (b) and the one before that (a): slope of the bend against the shift, the bend at no shift, and how
  // far it is held.
  let ax = 0;
  let ay = 0;
  let az = 0;
  let aBend = 0;
  let aHeld = 0;
  let bx = 0;
  let by = 0;
  let bz = 0;
  let bBend = 0;
  let bHeld = 0;
  for (let f = 0, at = 0; f < held.length; f++, at += 3) {
    let x = goals[at]! - hips[at]! - shifts[at]!;
    let y = goals[at + 1]! - hips[at + 1]! - shifts[at + 1]!;
    let z = goals[at + 2]! - hips[at + 2]! - shifts[at + 2]!;
    const distance = Math.min(Math.sqrt(x * x + y * y + z * z), reaches[f]!);
    const bend = bendAt(distance, length);
    const slope = 1 / Math.max(bend, edge * length);
    x *= slope;
    y *= slope;
    z *= slope;
    const own = bend - usual[f]! - x * shifts[at]! - y * shifts[at + 1]! - z * shifts[at + 2]!;
    const w = f < 2 ? 0 : weight * trust[f]! * Math.min(held[f]!, bHeld, aHeld);
    if (w > 0) {
      const pull = w * (own - 2 * bBend + aBend);
      right[at]! -= pull * x;
      right[at + 1]! -= pull * y;
      right[at + 2]! -= pull * z;
      right[at - 3]! += 2 * pull * bx;
      right[at - 2]! += 2 * pull * by;
      right[at - 1]! += 2 * pull * bz;
      right[at - 6]! -= pull * ax;
      right[at - 5]! -= pull * ay;
      right[at - 4]! -= pull * az;
      addSquare(blocks, f * 6, w, x, y, z);
      addSquare(blocks, f * 6 - 6, 4 * w, bx, by, bz);
      addSquare(blocks, f * 6 - 12, w, ax, ay, az);
      addProduct(couplings, f * 9, -2 * w, x, y, z, bx, by, bz);
      addProduct(couplings, f * 9 - 9, -2 * w, bx, by, bz, ax, ay, az);
      addProduct(far, f * 9, w, x, y, z, ax, ay, az);
    }
    ax = bx;
    ay = by;
    az = bz;
    aBend = bBend;
    aHeld = bHeld;
    bx = x;
    by = y;
    bz = z;
    bBend = own;
    bHeld = held[f]!;
  }
}

/** blocks[i …] += weight · v · vᵀ, packed: xx, xy, yy, xz, yz, zz. */
function addSquare(blocks: Float64Array, i: number, weight: number, x: number, y: number, z: number): void {
  blocks[i]! += weight * x * x;
  blocks[i + 1]! += weight * y * x;
  blocks[i + 2]! += weight * y * y;
  blocks[i + 3]! += weight * z * x;
  blocks[i + 4]! += weight * z * y;
  blocks[i + 5]! += weight * z * z;
}

/** out[i …] += weight · u · vᵀ, row by row. */
function addProduct(
  out: Float64Array,
  i: number,
  weight: number,
  ux: number,
  uy: number,
  uz: number,
  vx: number,
  vy: number,
  vz: number,
): void {
  out[i]! += weight * ux * vx;
  out[i + 1]! += weight * ux * vy;
  out[i + 2]! += weight * ux * vz;
  out[i + 3]! += weight * uy * vx;
  out[i + 4]! += weight * uy * vy;
  out[i + 5]! += weight * uy * vz;
  out[i + 6]! += weight * uz * vx;
  out[i + 7]! += weight * uz * vy;
  out[i + 8]! += weight * uz * vz;
}
