import { type Clip, framePose, restLocalPose } from '../skeleton/clip.ts';
import type { Side } from '../skeleton/side.ts';
import { createWorldPose, type Skeleton, type WorldPose } from '../skeleton/skeleton.ts';
import type { Figure } from './figure.ts';
import type { Interpretation } from './interpretation.ts';
import type { LimbChain } from './limbs.ts';
import { type MeshShape, verticesOf } from './mesh-shape.ts';
import {
  centre,
  cross,
  directionName,
  distance,
  dot,
  middle,
  minus,
  type Point,
  pointAt,
  squareTo,
  times,
  unit,
} from './point.ts';
import type { Prior } from './prior.ts';
import type { Symmetry } from './symmetry.ts';

/** One observation that tells front from back: log odds for the facing that was asked about. */
export interface FacingClue {
  text: string;
  logOdds: number;
}

export interface Facing {
  /** Unit, square to up: where the character's left is, and where it looks. */
  left: Point;
  facing: Point;
  /** Probability that front and back (and so left and right) are not swapped. */
  certainty: number;
  /** All observations, strongest first; negative ones speak against the result. */
  clues: FacingClue[];
}

/** Joints with a side in their name speak together only from this weight on: one `r` may be a chance. */
const MIN_SIDED = 4;
/** Sampled frames of a clip that are looked at for knees, elbows and the way walked. */
const CLIP_SAMPLES = 48;

/**
 * Tells the front of a body from its back, and with it left from right: feet point forwards, knees bend forwards, elbows
 * backwards, people walk forwards; then names, and what the file's standard says about its front.
 * @param front  where the file's standard has characters look, with the sentence that says so
 */
export function findFacing(
  figure: Figure,
  symmetry: Symmetry,
  body: Interpretation,
  up: Point,
  prior: Prior,
  mesh: MeshShape | null,
  clip: Clip | undefined,
  front: { direction: Point; logOdds: number; text: string } | null,
): Facing {
  const left = lateralOf(figure, symmetry, body, up);
  const forward = cross(left, up);
  const clues: FacingClue[] = [
    ...feetClues(figure, body, forward, mesh),
    ...bendClues(figure, body, up, forward),
    ...eyeClues(figure, symmetry, body, forward),
    ...nameClues(figure, symmetry, body, prior, left),
    ...(clip ? motionClues(figure, clip, body, left) : []),
  ];
  if (front) clues.push({ text: front.text, logOdds: front.logOdds * dot(front.direction, forward) });
  const total = clues.reduce((sum, clue) => sum + clue.logOdds, 0);
  const sign = total < 0 ? -1 : 1;
  return {
    left: times(left, sign),
    facing: times(forward, sign),
    certainty: 1 / (1 + Math.exp(-Math.abs(total))),
    clues: clues
      .map((clue) => ({ ...clue, logOdds: clue.logOdds * sign }))
      .filter((clue) => Math.abs(clue.logOdds) > 0.05)
      .sort((a, b) => Math.abs(b.logOdds) - Math.abs(a.logOdds)),
  };
}

/** Which of a pair of limbs (0 or 1) is on the given side: by place, or the first is the left one where names told. */
export function indexOfSide(
  figure: Figure,
  pair: readonly [LimbChain, LimbChain],
  side: Side,
  left: Point | 'by name',
): 0 | 1 {
  if (left === 'by name') return side === 'left' ? 0 : 1;
  const firstIsLeft = pairSign(figure, pair, left) > 0;
  return firstIsLeft === (side === 'left') ? 0 : 1;
}

/** Positive where the first limb of the pair lies towards `left`: judged where the limbs start, then further out. */
function pairSign(figure: Figure, pair: readonly [LimbChain, LimbChain], left: Point): number {
  const steps = [
    [pair[0].upper, pair[1].upper],
    [pair[0].lower, pair[1].lower],
  ] as const;
  for (const [a, b] of steps) {
    const apart = dot(minus(figure.points[a]!, figure.points[b]!), left);
    if (Math.abs(apart) > 0.01 * figure.extent) return apart;
  }
  return dot(minus(figure.points[pair[0].lower]!, figure.points[pair[1].lower]!), left);
}

/** The plane's normal, made square to up; its sign is arbitrary. Hips and shoulders are used where no plane was found. */
function lateralOf(figure: Figure, symmetry: Symmetry, body: Interpretation, up: Point): Point {
  const normal = unit(squareTo(symmetry.normal, up));
  if (symmetry.sharpness > 0.5 && Math.abs(dot(symmetry.normal, up)) < 0.7) return normal;
  const { legs } = body;
  const hips = squareTo(minus(figure.points[legs[0].upper]!, figure.points[legs[1].upper]!), up);
  return unit(hips);
}

const clamp = (x: number, limit: number): number => Math.max(-limit, Math.min(limit, x));
const percent = (x: number): string => `${(100 * x).toFixed(1)} %`;

function feetClues(figure: Figure, body: Interpretation, forward: Point, mesh: MeshShape | null): FacingClue[] {
  const { points, tips, skeleton } = figure;
  const ahead: number[] = [];
  for (const leg of body.legs) {
    if (leg.end === null) continue;
    const ends: Point[] = [];
    for (let j = leg.end; j < skeleton.subtreeEnd[leg.end]!; j++) {
      ends.push(...tips[j]!);
      if (j !== leg.end) ends.push(points[j]!);
    }
    const furthest = Math.max(0, ...ends.map((p) => distance(p, points[leg.end!]!)));
    if (furthest < 0.005 * body.height) continue;
    // The longest of them is the toe; a heel joint is short.
    const toe = ends.find((p) => distance(p, points[leg.end!]!) === furthest)!;
    ahead.push(dot(minus(toe, points[leg.end]!), forward) / body.height);
  }
  const clues: FacingClue[] = [];
  if (ahead.length > 0) {
    const mean = ahead.reduce((a, b) => a + b, 0) / ahead.length;
    const text = `toes lie ${percent(Math.abs(mean))} of the height in front of the ankles`;
    clues.push({ text, logOdds: 6.5 * clamp(mean / 0.04, 1) });
  }
  if (mesh) {
    const soles = body.legs.map((leg) => soleOffset(figure, leg, body, forward, mesh)).filter((x) => x !== null);
    if (soles.length > 0) {
      const mean = soles.reduce((a, b) => a + b, 0) / soles.length;
      const text = `the soles of the mesh lie ${percent(Math.abs(mean))} of the height in front of the ankles`;
      clues.push({ text, logOdds: 3 * clamp(mean / 0.03, 1) });
    }
  }
  return clues;
}

/** How far in front of the ankle the middle of a sole is, as a share of the height; null without a sole. */
function soleOffset(
  { points, skeleton }: Figure,
  leg: LimbChain,
  body: Interpretation,
  forward: Point,
  mesh: MeshShape,
): number | null {
  const starts = leg.end === null ? [leg.lower] : [leg.lower, leg.end];
  const vertices = verticesOf(mesh, (j) => starts.some((s) => j >= s && j < skeleton.subtreeEnd[s]!));
  if (vertices.length < 4) return null;
  const lowest = Math.min(...vertices.map((p) => dot(p, body.up)));
  const sole = vertices.filter((p) => dot(p, body.up) < lowest + 0.03 * body.height).map((p) => dot(p, forward));
  const ankle = leg.end === null ? points[leg.lower]! : points[leg.end]!;
  const mid = (Math.min(...sole) + Math.max(...sole)) / 2;
  return (mid - dot(ankle, forward)) / body.height;
}

/** How far the middle joint of a limb lies ahead of the line between its ends, as a share of the limb's length. */
function bendAhead(start: Point, mid: Point, end: Point, forward: Point): number {
  const line = minus(end, start);
  const length = distance(start, mid) + distance(mid, end);
  if (length === 0) return 0;
  const along = dot(line, line) > 0 ? dot(minus(mid, start), line) / dot(line, line) : 0.5;
  const foot: Point = [start[0] + along * line[0], start[1] + along * line[1], start[2] + along * line[2]];
  return dot(minus(mid, foot), forward) / length;
}

function bendClues({ points }: Figure, body: Interpretation, up: Point, forward: Point): FacingClue[] {
  const clues: FacingClue[] = [];
  const look = (pair: readonly LimbChain[], name: string, sign: number, weight: number): void => {
    const bends: number[] = [];
    const leans: number[] = [];
    for (const limb of pair) {
      if (limb.endAt) bends.push(bendAhead(points[limb.upper]!, points[limb.lower]!, limb.endAt, forward));
      else {
        const bone = unit(minus(points[limb.lower]!, points[limb.upper]!));
        // Only a hanging limb can tell: a knee drawn a little forwards, an elbow a little back.
        if (dot(bone, up) < -0.8) leans.push(dot(bone, forward));
      }
    }
    const mean = (list: number[]): number => list.reduce((a, b) => a + b, 0) / list.length;
    const way = sign > 0 ? 'forwards' : 'backwards';
    if (bends.length > 0) {
      const text = `${name} are bent ${way} by ${percent(Math.abs(mean(bends)))} of the limb in the rest pose`;
      clues.push({ text, logOdds: weight * clamp((sign * mean(bends)) / 0.03, 1) });
    }
    if (leans.length > 0) {
      const text = `${name} stand ${way} of the joints above by ${percent(Math.abs(mean(leans)))} of the bone`;
      clues.push({ text, logOdds: 0.7 * weight * clamp((sign * mean(leans)) / 0.05, 1) });
    }
  };
  look(body.legs, 'knees', 1, 2);
  look(body.arms, 'elbows', -1, 1.2);
  return clues;
}

function eyeClues(
  { points, children }: Figure,
  symmetry: Symmetry,
  body: Interpretation,
  forward: Point,
): FacingClue[] {
  const head = points[body.head]!;
  const eyes = children[body.head]!.filter((j) => symmetry.mirror[j]! > j && children[j]!.length === 0);
  if (eyes.length === 0) return [];
  const pair = eyes.map((j) => middle(points[j]!, points[symmetry.mirror[j]!]!));
  const ahead = dot(minus(centre(pair), head), forward) / body.height;
  return [
    {
      text: `a pair on the head lies ${percent(Math.abs(ahead))} of the height in front of it`,
      logOdds: 1.5 * clamp(ahead / 0.03, 1),
    },
  ];
}

/** Joints named left that lie to the left, against those that lie to the right; a table's word counts far more. */
function nameClues(
  { points }: Figure,
  symmetry: Symmetry,
  body: Interpretation,
  prior: Prior,
  left: Point,
): FacingClue[] {
  let agree = 0;
  let differ = 0;
  const limbs = new Set<number>();
  for (const limb of [...body.arms, ...body.legs])
    for (const j of [limb.upper, limb.lower, limb.end]) if (j !== null) limbs.add(j);
  for (let j = 0; j < points.length; j++) {
    const side = prior.names[j]!.side;
    if (side === null) continue;
    const aside = dot(points[j]!, left) - symmetry.offset * dot(symmetry.normal, left);
    if (Math.abs(aside) < 0.005 * body.height) continue;
    const weight = limbs.has(j) ? 2 : 0.5;
    if (aside > 0 === (side === 'left')) agree += weight;
    else differ += weight;
  }
  const clues: FacingClue[] = [];
  const total = agree + differ;
  if (total >= MIN_SIDED) {
    const share = Math.max(agree, differ) / total;
    const text = `${Math.round(100 * share)} % of the joints with a side in their name lie on that side`;
    clues.push({ text, logOdds: (3.5 * (agree - differ)) / total });
  }
  let settled = 0;
  for (const [role, joint] of prior.settled) {
    if (joint === null || !/^(left|right)(Upper|Lower)/.test(role)) continue;
    const aside = dot(points[joint]!, left) - symmetry.offset * dot(symmetry.normal, left);
    settled += Math.sign(aside) * (role.startsWith('left') ? 1 : -1);
  }
  if (settled !== 0)
    clues.push({ text: "the file's own table of roles names the sides", logOdds: 20 * Math.sign(settled) });
  return clues;
}

/**
 * Knees, elbows and the way walked over the clip, seen from the pelvis in each frame. The left of a frame is taken from
 * the same pair of hip joints as in the rest pose, so the answer holds for it.
 */
function motionClues(figure: Figure, clip: Clip, body: Interpretation, lateral: Point): FacingClue[] {
  const { skeleton } = figure;
  const pose: WorldPose = createWorldPose(skeleton.jointCount);
  const scratch = restLocalPose(skeleton);
  const step = Math.max(1, Math.floor(clip.frameCount / CLIP_SAMPLES));
  const knees: number[] = [];
  const elbows: number[] = [];
  let before: { hips: Point; forward: Point } | null = null;
  let walked = 0;
  let way = 0;
  const firstSign = Math.sign(pairSign(figure, body.legs, lateral)) || 1;
  for (let f = 0; f < clip.frameCount; f += step) {
    framePose(skeleton, clip, f, scratch, pose);
    const at = (j: number): Point => pointAt(pose.positions, j);
    const hipsAt = middle(at(body.legs[0].upper), at(body.legs[1].upper));
    const shouldersAt = middle(at(body.arms[0].upper), at(body.arms[1].upper));
    const up = unit(minus(shouldersAt, hipsAt));
    const left = unit(squareTo(times(minus(at(body.legs[0].upper), at(body.legs[1].upper)), firstSign), up));
    const forward = cross(left, up);
    for (const leg of body.legs)
      if (leg.end !== null && isWithinLimb(skeleton, leg))
        knees.push(bendAhead(at(leg.upper), at(leg.lower), at(leg.end), forward));
    for (const arm of body.arms) {
      if (arm.end === null) continue;
      // An elbow shows which way it bends only where the arm hangs; a raised arm turns it any way.
      const bone = unit(minus(at(arm.lower), at(arm.upper)));
      if (dot(bone, up) < -0.5) elbows.push(-bendAhead(at(arm.upper), at(arm.lower), at(arm.end), forward));
    }
    if (before) {
      const moved = minus(hipsAt, before.hips);
      walked += Math.hypot(...moved);
      way += dot(moved, before.forward);
    }
    before = { hips: hipsAt, forward };
  }
  const mean = (list: number[]): number => list.reduce((a, b) => a + b, 0) / list.length;
  const clues: FacingClue[] = [];
  if (knees.length > 0) {
    const text = `knees bend forwards in the motion, by ${percent(Math.abs(mean(knees)))} of the leg on average`;
    clues.push({ text, logOdds: 4 * clamp(mean(knees) / 0.03, 1) });
  }
  if (elbows.length > 0) {
    const text = `elbows bend backwards in the motion, by ${percent(Math.abs(mean(elbows)))} of the arm on average`;
    clues.push({ text, logOdds: 2 * clamp(mean(elbows) / 0.03, 1) });
  }
  if (walked > body.height) {
    const text = `${percent(Math.abs(way) / walked)} of the way travelled is along the facing`;
    clues.push({ text, logOdds: 2 * (way / walked) });
  }
  return clues;
}

/** Whether the end joint hangs from the lower one, so that the clip moves both as one leg. */
function isWithinLimb(skeleton: Skeleton, limb: LimbChain): boolean {
  return limb.end !== null && limb.end > limb.lower && limb.end < skeleton.subtreeEnd[limb.lower]!;
}

/** One sentence for people: the result, then the two strongest reasons and the strongest against. */
export function explainFacing({ facing, certainty, clues }: Facing): string {
  const reasons = clues
    .filter((clue) => clue.logOdds > 0)
    .slice(0, 2)
    .map((clue) => clue.text);
  const against = clues.find((clue) => clue.logOdds < -0.5);
  const because = reasons.length > 0 ? `: ${reasons.join('; ')}` : ', nothing in the shape tells front from back';
  const but = against ? `; against it: not so that ${against.text}` : '';
  return `faces ${directionName(facing)} (${Math.round(100 * certainty)} % sure)${because}${but}`;
}
