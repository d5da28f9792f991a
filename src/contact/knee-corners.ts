/**
 * Corners in the bend of a knee that carries a plant. A leg that is held at its full stretch bends within a frame where it is
 * let go, and one that meets its full stretch stops bending within a frame, however smoothly pelvis and plant move. So the bend
 * that is added to the performer's may not change its pace at once: its second differences cost.
 *
 * The bend of a leg of length L that spans a distance d is told as √(L² − d²): for equal segments L · sin of half the knee's
 * angle. In place of the angle, because its slope stays finite next to the straight leg once it is continued from STRAIGHT on.
 */
import type { FrameSpan } from './hold.ts';
import { EXTENSION, HELD, LEG_TERMS, type LegTerms, REACH } from './leg-terms.ts';

/** From here on (bend / L)² a straighter leg's bend goes on along its tangent: 16 degrees of the knee. */
const STRAIGHT = 0.02;
const EDGE = Math.sqrt(STRAIGHT);
/** A knee that changes its pace by so much from one frame to the next, against the performer's, has a corner: rad, 3.4 degrees. */
const CORNER = 0.06;
/**
 * rad/s². What changes its pace by more, before the pelvis gives way, is no person's but a fault of the capture, and pulls less
 * the more it does; no source. The quickest knees of the shared clips change it by 33,000 degrees a second squared.
 */
const FAULT = 1050;

/**
 * Stretches around frames in which a knee changes its pace at once while its foot stands, as disjoint spans.
 * @param usual   shifts of the pelvis before any leg asks for its own, frames × 3
 * @param around  frames before and after such a frame
 */
export function cornerSpans(
  legs: LegTerms,
  usual: Float64Array,
  shifts: Float64Array,
  around: number,
  frameDuration: number,
): FrameSpan[] {
  const frameCount = shifts.length / 3;
  const isCorner = new Uint8Array(frameCount);
  for (let l = 0; l < legs.feet; l++) markCorners(legs, l, usual, shifts, frameDuration, isCorner);
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

function markCorners(
  legs: LegTerms,
  l: number,
  usual: Float64Array,
  shifts: Float64Array,
  frameDuration: number,
  isCorner: Uint8Array,
): void {
  const { terms, lengths } = legs;
  const length = lengths[l]!;
  const stride = lengths.length * LEG_TERMS;
  const most = (CORNER / 2) * length;
  // Frames in a row, up to this one, in which the foot is held.
  let run = 0;
  let before = 0;
  let first = 0;
  for (let f = 0, term = l * LEG_TERMS; f < isCorner.length; f++, term += stride) {
    const held = terms[term + HELD]!;
    if (held === 0) {
      run = 0;
      continue;
    }
    const added = addedBend(terms, term, length, shifts, f * 3);
    run++;
    const isQuick = run > 2 && held > 0.5 && Math.abs(added - 2 * before + first) > most;
    if (isQuick && trustAt(legs, l, f, usual, frameDuration) > 0.5) isCorner[f] = 1;
    first = before;
    before = added;
  }
}

/** How far the change of pace at a frame is meant. The foot is held there and in the two frames before. */
function trustAt(
  { terms, lengths }: LegTerms,
  l: number,
  f: number,
  usual: Float64Array,
  frameDuration: number,
): number {
  const length = lengths[l]!;
  const stride = lengths.length * LEG_TERMS;
  const term = f * stride + l * LEG_TERMS;
  const corner =
    addedBend(terms, term, length, usual, f * 3) -
    2 * addedBend(terms, term - stride, length, usual, f * 3 - 3) +
    addedBend(terms, term - 2 * stride, length, usual, f * 3 - 6);
  return trustOf(corner, length, frameDuration);
}

/** How far a change of pace is meant, 0 to 1: see FAULT. Half of the knee's angle shows in the bend. */
function trustOf(corner: number, length: number, frameDuration: number): number {
  const fault = (FAULT / 2) * frameDuration ** 2 * length;
  return (1 + (corner / fault) ** 2) ** -2;
}

/** What a shift of the pelvis adds to the performer's bend, metres. */
function addedBend(terms: Float64Array, term: number, length: number, shifts: Float64Array, at: number): number {
  const x = terms[term]! - shifts[at]!;
  const y = terms[term + 1]! - shifts[at + 1]!;
  const z = terms[term + 2]! - shifts[at + 2]!;
  const reach = terms[term + REACH]!;
  return (
    bendAt(Math.min(Math.sqrt(x * x + y * y + z * z), reach), length) -
    bendAt(Math.min(terms[term + EXTENSION]!, reach), length)
  );
}

function bendAt(distance: number, length: number): number {
  const square = 1 - (distance / length) ** 2;
  if (square >= STRAIGHT) return length * Math.sqrt(square);
  return length * (EDGE + (square - STRAIGHT) / (2 * EDGE));
}

/** Corners of one leg in some frames in a row. */
export interface KneeCorners {
  /** Weight of the second difference that ends with a frame; 0 where there is none. */
  weights: Float64Array;
  /** The added bend, linearised: its slope against the shift, x, y, z, and its size at no shift, metres; frames × 4. */
  lines: Float64Array;
}

/**
 * Corners of leg `l`, whose lines are still to be drawn.
 * @param usual   shifts of the pelvis before any leg asks for its own, frames × 3
 * @param weight  of a second difference that is meant, by a foot that stands
 */
export function kneeCorners(
  legs: LegTerms,
  l: number,
  usual: Float64Array,
  weight: number,
  frameDuration: number,
): KneeCorners {
  const { terms, lengths } = legs;
  const length = lengths[l]!;
  const stride = lengths.length * LEG_TERMS;
  const count = usual.length / 3;
  const weights = new Float64Array(count);
  let before = 0;
  let first = 0;
  for (let f = 0, term = l * LEG_TERMS; f < count; f++, term += stride) {
    const added = addedBend(terms, term, length, usual, f * 3);
    const end = term + HELD;
    const held = f < 2 ? 0 : Math.min(terms[end]!, terms[end - stride]!, terms[end - 2 * stride]!);
    if (held > 0) weights[f] = weight * trustOf(added - 2 * before + first, length, frameDuration) * held;
    first = before;
    before = added;
  }
  return { weights, lines: new Float64Array(count * 4) };
}

/** Linearises the added bend of leg `l` about the shifts as they are. */
export function drawLines({ terms, lengths }: LegTerms, l: number, shifts: Float64Array, lines: Float64Array): void {
  const length = lengths[l]!;
  const stride = lengths.length * LEG_TERMS;
  for (let line = 0, at = 0, term = l * LEG_TERMS; line < lines.length; line += 4, at += 3, term += stride) {
    const sx = shifts[at]!;
    const sy = shifts[at + 1]!;
    const sz = shifts[at + 2]!;
    const x = terms[term]! - sx;
    const y = terms[term + 1]! - sy;
    const z = terms[term + 2]! - sz;
    const reach = terms[term + REACH]!;
    const bend = bendAt(Math.min(Math.sqrt(x * x + y * y + z * z), reach), length);
    const slope = 1 / Math.max(bend, EDGE * length);
    lines[line] = x * slope;
    lines[line + 1] = y * slope;
    lines[line + 2] = z * slope;
    lines[line + 3] =
      bend -
      bendAt(Math.min(terms[term + EXTENSION]!, reach), length) -
      x * slope * sx -
      y * slope * sy -
      z * slope * sz;
  }
}

/** Adds what weight · |second differences of the added bend|² ties of frames to others, as `solveSmoothPath` takes it. */
export function addTies({ weights, lines }: KneeCorners, couplings: Float64Array, far: Float64Array): void {
  for (let f = 2; f < weights.length; f++) {
    const w = weights[f]!;
    if (w === 0) continue;
    const own = f * 4;
    addProduct(couplings, f * 9, -2 * w, lines, own, own - 4);
    addProduct(couplings, f * 9 - 9, -2 * w, lines, own - 4, own - 8);
    addProduct(far, f * 9, w, lines, own, own - 8);
  }
}

/** Adds the rest of it: what stands on the diagonal, and on the right. */
export function addPulls({ weights, lines }: KneeCorners, blocks: Float64Array, right: Float64Array): void {
  for (let f = 2; f < weights.length; f++) {
    const w = weights[f]!;
    if (w === 0) continue;
    const own = f * 4;
    const pull = w * (lines[own + 3]! - 2 * lines[own - 1]! + lines[own - 5]!);
    addPull(right, f * 3, -pull, lines, own);
    addPull(right, f * 3 - 3, 2 * pull, lines, own - 4);
    addPull(right, f * 3 - 6, -pull, lines, own - 8);
    addSquare(blocks, f * 6, w, lines, own);
    addSquare(blocks, f * 6 - 6, 4 * w, lines, own - 4);
    addSquare(blocks, f * 6 - 12, w, lines, own - 8);
  }
}

/** out[i …] += pull · v, where v is the slope of a line. */
function addPull(out: Float64Array, i: number, pull: number, lines: Float64Array, v: number): void {
  out[i]! += pull * lines[v]!;
  out[i + 1]! += pull * lines[v + 1]!;
  out[i + 2]! += pull * lines[v + 2]!;
}

/** blocks[i …] += weight · v · vᵀ, packed: xx, xy, yy, xz, yz, zz. */
function addSquare(blocks: Float64Array, i: number, weight: number, lines: Float64Array, v: number): void {
  const x = lines[v]!;
  const y = lines[v + 1]!;
  const z = lines[v + 2]!;
  blocks[i]! += weight * x * x;
  blocks[i + 1]! += weight * y * x;
  blocks[i + 2]! += weight * y * y;
  blocks[i + 3]! += weight * z * x;
  blocks[i + 4]! += weight * z * y;
  blocks[i + 5]! += weight * z * z;
}

/** out[i …] += weight · u · vᵀ, row by row. */
function addProduct(out: Float64Array, i: number, weight: number, lines: Float64Array, u: number, v: number): void {
  const vx = lines[v]!;
  const vy = lines[v + 1]!;
  const vz = lines[v + 2]!;
  const x = weight * lines[u]!;
  const y = weight * lines[u + 1]!;
  const z = weight * lines[u + 2]!;
  out[i]! += x * vx;
  out[i + 1]! += x * vy;
  out[i + 2]! += x * vz;
  out[i + 3]! += y * vx;
  out[i + 4]! += y * vy;
  out[i + 5]! += y * vz;
  out[i + 6]! += z * vx;
  out[i + 7]! += z * vy;
  out[i + 8]! += z * vz;
}
