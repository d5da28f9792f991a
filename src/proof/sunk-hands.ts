/**
 * Hands that go through the skin of their own body. Some frames a second are looked over by how far the middle of the hand is
 * from the middle line of head, trunk and thighs; the nearest ones are measured on the skin as it is bent there.
 *
 * Ways tried, as shares of a proof in one thread (salsa, martial and indian clips, in which hands are at the body all the time):
 * - all frames looked over on paths of their own, six frames a hand and piece measured on 200 points a piece, with all normals: 21 %;
 * - poses read for the frames looked over, three measured on 128 points: 14 %;
 * - as here, on paths that other measures ask for as well, two of 100 points, the normal of the nearest point alone: 4 %.
 * Each piece for itself was wrong: a thigh is open where the trunk begins, and a hand in the trunk is far from its crotch.
 */
import { rotateAddVec, rotateVecInverse } from '../math/quat.ts';
import { copyVec, distanceToSegment } from '../math/vec.ts';
import { oncePerKey } from '../skeleton/once-per.ts';
import { createPartialPose, readPartialPose } from '../skeleton/partial-pose.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import type { WorldPose } from '../skeleton/skeleton.ts';
import { carryPoints, type Depth, depthBelow } from '../skeleton/skin-points.ts';
import {
  type BodyPiece,
  type BodyPieceName,
  bodyPiecesOf,
  type HandPiece,
  handPieceOf,
  lineOf,
  restDepths,
} from './body-pieces.ts';
import { type Build, jointAbove, jointName, stature } from './build.ts';
import { type Evidence, measured, notMeasured } from './evidence.ts';
import { handLength } from './hand-length.ts';
import type { BodyPoint, Json, Measure, Where } from './measure.ts';
import { quantile } from './statistics.ts';
import { jointPath, jointTurns, type Track } from './track.ts';

/** All is looked over so often (s). Of spans of so many such steps, the nearest of so many are measured for hand and piece. */
const STEP = 1 / 12;
const SPAN = 4;
const LOOKS = 2;
/** Pieces that are no farther than so many times where a hand reaches them are looked at together: they close each other. */
const AROUND = 1.3;
const WORDS: Record<BodyPieceName, string> = {
  head: 'head',
  trunk: 'trunk',
  leftThigh: 'left thigh',
  rightThigh: 'right thigh',
};
/** So much of a hand's skin is less deep than what is told: the tip of a finger is not. */
const SHALLOWER = 0.95;

/**
 * A person's radii around the middle lines, shares of standing height: half a head's length, of the chest between its half
 * breadth and half depth, half a thigh. Common anthropometry, no source.
 */
const PERSON: Record<BodyPieceName, number> = { head: 0.055, trunk: 0.08, leftThigh: 0.05, rightThigh: 0.05 };
/** From a head joint to the middle of the head, share of standing height. Common anthropometry, no source. */
const HEAD_MIDDLE = 0.05;

/** How deep hands go through the skin of head, trunk and thighs where those of the source do not. */
export function measureSunkHands(evidence: Evidence): Measure {
  const { target } = evidence;
  const id = 'sunk-hands';
  if (!target.figure.skins?.length) return notMeasured(evidence, id, 'there is no mesh');
  if (target.frameCount === 0) return notMeasured(evidence, id, 'the clip has no frames');
  if (target.legLength === 0) return notMeasured(evidence, id, 'no leg with thigh, shin and foot was paired');
  const pieces = bodyPiecesOf(target.build);
  const hands = SIDES.map((side) => handPieceOf(target.build, side)).filter((hand) => hand !== null);
  if (hands.length === 0 || pieces.length === 0)
    return notMeasured(evidence, id, 'no hand, or nothing of the body beside it, has a skin');
  const places: Where[] = [];
  const details: { [key: string]: Json } = {};
  let deepest = 0;
  for (const hand of hands) {
    const looks = looksAt(target, hand, pieces);
    const found = placesOf(evidence, hand, looks);
    const worst = Math.max(0, ...found.map(({ value }) => value));
    details[hand.role] = { worst, frames: looks.length };
    deepest = Math.max(deepest, worst);
    places.push(...found);
  }
  return measured(evidence, id, deepest, places, details);
}

/** How deep a hand is where it comes near to pieces. */
function placesOf({ target, source, sharedFrames }: Evidence, hand: HandPiece, looks: readonly Look[]): Where[] {
  const { side, role, joint } = hand;
  const length = handLength(target.build, `${side}Hand`);
  return depthsOf(target, hand, looks).map(({ frame, depth, inside, piece }): Where => {
    const its = source && frame < sharedFrames ? performerDepth(source, side, piece.name, frame) : 0;
    return {
      role,
      joint: jointName(target.figure, joint),
      frames: [frame, frame],
      worstFrame: frame,
      value: Math.max(0, depth / target.legLength - its) / length,
      note: `${Math.round(100 * inside)} % of it inside the ${WORDS[piece.name]} (${jointName(target.figure, piece.joint)})`,
    };
  });
}

/** A frame in which a hand is measured, and the pieces that it may reach there. */
interface Look {
  frame: number;
  pieces: BodyPiece[];
}

/** The frames in which a hand comes nearest to the middle lines of the pieces, in order. */
function looksAt(track: Track, hand: HandPiece, pieces: readonly BodyPiece[]): Look[] {
  const step = Math.max(1, Math.round(STEP / track.frameDuration));
  const middles = everyStep(track, hand.middle, step);
  const distances = pieces.map(({ line: [from, to] }) =>
    distancesToSegment(middles, everyStep(track, from, step), everyStep(track, to, step)),
  );
  const reaches = pieces.map(({ radius }) => radius + hand.reach);
  const places = new Set(pieces.flatMap((_, q) => nearestOfSpans(distances[q]!, reaches[q]!)));
  return [...places]
    .sort((a, b) => a - b)
    .map((place) => ({
      frame: place * step,
      pieces: pieces.filter((_, q) => distances[q]![place]! < AROUND * reaches[q]!),
    }));
}

/** Where a point is, every so many frames. */
function everyStep(track: Track, { joint, offset }: BodyPoint, step: number): Float64Array {
  const out = new Float64Array(Math.ceil(track.frameCount / step) * 3);
  const path = jointPath(track, joint);
  // No measure but this may ask for how such a joint is turned.
  if (offset.every((x) => x === 0)) takeEvery(out, step, path);
  else carryEvery(out, step, jointTurns(track, joint), path, Float64Array.from(offset));
  return out;
}

function takeEvery(out: Float64Array, step: number, path: Float64Array): void {
  for (let o = 0, f = 0; o < out.length; o += 3, f += step) copyVec(out, o, path, f * 3);
}

function carryEvery(
  out: Float64Array,
  step: number,
  turns: Float64Array,
  path: Float64Array,
  offset: Float64Array,
): void {
  for (let o = 0, f = 0; o < out.length; o += 3, f += step) rotateAddVec(out, o, turns, f * 4, offset, 0, path, f * 3);
}

function distancesToSegment(points: Float64Array, from: Float64Array, to: Float64Array): Float64Array {
  const out = new Float64Array(points.length / 3);
  for (let i = 0, at = 0; i < out.length; i++, at += 3) out[i] = distanceToSegment(points, at, from, at, to, at);
  return out;
}

/** The places of the smallest distances below a limit, one of each span. */
function nearestOfSpans(distances: Float64Array, most: number): number[] {
  const found: number[] = [];
  for (let first = 0; first < distances.length; first += SPAN) {
    const last = Math.min(distances.length, first + SPAN);
    let place = first;
    for (let i = first; i < last; i++) if (distances[i]! < distances[place]!) place = i;
    if (distances[place]! < most) found.push(place);
  }
  return found.sort((a, b) => distances[a]! - distances[b]!).slice(0, LOOKS);
}

interface Sunk {
  frame: number;
  /** Beyond that of the rest pose, what most of the hand's skin stays above; metres. */
  depth: number;
  /** Share of the hand that is inside, and the piece that most of that is in. */
  inside: number;
  piece: BodyPiece;
}

/** Frames in which some of a hand is inside. */
function depthsOf(track: Track, hand: HandPiece, looks: readonly Look[]): Sunk[] {
  const { skeleton, clip } = track.figure;
  const movers = new Set([hand, ...looks.flatMap(({ pieces }) => pieces)].flatMap(({ points }) => [...points.movers]));
  const partial = createPartialPose(skeleton, clip, movers);
  const depths = new Float64Array(hand.points.count);
  // Before any pose: it carries the points too.
  const rest = restDepths(track.build, hand);
  return looks.flatMap(({ frame, pieces }): Sunk[] => {
    const pose = readPartialPose(partial, frame);
    carryPoints(hand.points, pose);
    for (const { points } of pieces) carryPoints(points, pose);
    const counts = depthsIn(depths.fill(0), hand, pieces, pose, rest);
    const inside = counts.reduce((sum, count) => sum + count, 0) / depths.length;
    const piece = pieces[counts.indexOf(Math.max(...counts))]!;
    return inside === 0 ? [] : [{ frame, depth: quantile(depths, SHALLOWER), inside, piece }];
  });
}

/** Depths of the points of a hand; returns how many are in each piece. */
function depthsIn(
  depths: Float64Array,
  { points }: HandPiece,
  pieces: readonly BodyPiece[],
  pose: WorldPose,
  rest: Float64Array,
): number[] {
  const counts: number[] = Array(pieces.length).fill(0);
  const skins = pieces.map((piece) => piece.points);
  const found: Depth = { depth: 0, piece: 0 };
  // Some of the points first: most hands that come near do not get in.
  for (let first = 0; first < 3; first++) {
    for (let p = first; p < depths.length; p += 3) {
      depthBelow(found, skins, pose, points.places, p * 3);
      depths[p] = Math.max(0, found.depth - rest[p]!);
      if (depths[p]! > 0) counts[found.piece]!++;
    }
    if (counts.every((count) => count === 0)) break;
  }
  return counts;
}

/** How deep wrist or knuckles of a performer are in a person's body, in leg lengths: what is no fault of the rig. */
function performerDepth(source: Track, side: Side, name: BodyPieceName, f: number): number {
  const arm = source.limbs[`${side}Arm`];
  const line = personLine(source.build, name);
  if (!arm || !line) return 0;
  // Elbow, wrist, knuckles, which lie half a hand beyond the wrist, and the ends of the line.
  const spots = new Float64Array(15);
  [arm.middle, arm.end, arm.end, ...line].forEach(({ joint, offset }, i) => {
    const at = Float64Array.from(offset);
    rotateAddVec(spots, i * 3, jointTurns(source, joint), f * 4, at, 0, jointPath(source, joint), f * 3);
  });
  const { build, legLength } = source;
  const half = (handLength(build, `${side}Hand`) * legLength) / 2;
  for (let k = 0; k < 3; k++) spots[6 + k]! += ((spots[3 + k]! - spots[k]!) / arm.lower) * half;
  const nearest = Math.min(
    distanceToSegment(spots, 3, spots, 9, spots, 12),
    distanceToSegment(spots, 6, spots, 9, spots, 12),
  );
  return Math.max(0, PERSON[name] * stature(build) - nearest / legLength);
}

/** The middle line of a piece on a figure without skin: a head's middle lies on from neck to head. */
const personLine = oncePerKey((build: Build, name: BodyPieceName): readonly [BodyPoint, BodyPoint] | null => {
  const line = lineOf(build, name);
  const neck = name === 'head' ? jointAbove(build.figure.roles, 'head') : null;
  if (!line || neck === null) return line;
  const { rest, legLength } = build;
  const head = line[0].joint;
  const up = Float64Array.of(0, 1, 2).map((k) => rest.positions[head * 3 + k]! - rest.positions[neck * 3 + k]!);
  const length = Math.hypot(...up);
  if (length === 0) return line;
  for (let k = 0; k < 3; k++) up[k]! *= (HEAD_MIDDLE * stature(build) * legLength) / length;
  rotateVecInverse(up, 0, rest.rotations, head * 4, up, 0);
  const middle: BodyPoint = { joint: head, offset: [up[0]!, up[1]!, up[2]!] };
  return [middle, middle];
});
