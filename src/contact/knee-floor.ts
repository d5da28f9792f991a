/**
 * Keeps bent knees over the floor. A leg that is folded with its ankle right under its hip has its knee above or below both by
 * what thigh and shin differ: where the performer's shin is the longer and its knee rises beside it, the knee of a long thigh goes
 * down into the floor. Such a leg asks the pelvis to stay so high that its knee is where a knee can be.
 */
import { distanceVec } from '../math/vec.ts';
import type { RetargetPlan } from '../retarget/plan.ts';
import type { Clip } from '../skeleton/clip.ts';
import { createPartialPose, readPartialPose } from '../skeleton/partial-pose.ts';
import type { ReachLeg } from './reach-leg.ts';
import type { Stance } from './stance.ts';

/** From the middle of a knee to its skin, share of thigh and shin (5.5 cm on 0.85 m; value from memory). */
const KNEE = 0.065;
/** A knee that the floor keeps so much (share of the leg) from where the performer's is holds the pelvis like a foot that stands. */
const PRESSED = 0.04;
/** Halvings that find the distance from hip to ankle, to a thousandth of the leg. */
const HALVINGS = 10;

/**
 * Raises the nearest that the ankle may come to the hip, and how far the foot is held: one that goes along with the pelvis would
 * take its knee no farther from the floor.
 * @param reach  its goals are where the ankle has to be
 */
export function keepKneesUp(reach: ReachLeg, stance: Stance, plan: RetargetPlan, clip: Clip): void {
  const { leg, floors } = stance;
  const { hips, knees, ankles, extensions, limb } = leg;
  const { nearest, goals, length } = reach;
  let performer: ((f: number) => number) | null = null;
  for (let f = 0, at = 0; f < nearest.length; f++, at += 3) {
    const own = knees[at + 1]! + goals[at + 1]! - ankles[at + 1]!;
    if (own >= floors[f]! + KNEE * length || extensions[f]! < 1e-6) continue;
    performer ??= performerKnee(plan, clip, limb.srcLower);
    const over = floors[f]! + Math.min(KNEE * length, performer(f)) - goals[at + 1]!;
    const need = nearestFor(over, hips, knees, ankles, at, extensions[f]!);
    nearest[f] = Math.max(nearest[f]!, need);
    const u = Math.min(1, (need - extensions[f]!) / (PRESSED * length));
    const held = u * u * (3 - 2 * u);
    reach.held[f] = Math.max(reach.held[f]!, held);
    stance.held[f] = Math.max(stance.held[f]!, held);
  }
}

/** Distance from hip to ankle at which the knee is so high over the ankle, while the leg leans, and its knee points, as they do. */
function nearestFor(
  over: number,
  hips: Float64Array,
  knees: Float64Array,
  ankles: Float64Array,
  at: number,
  extension: number,
): number {
  const thigh = distanceVec(hips, at, knees, at);
  const shin = distanceVec(knees, at, ankles, at);
  // Up the line from ankle to hip, and where the knee stands off it: heights of unit vectors.
  const up = (hips[at + 1]! - ankles[at + 1]!) / extension;
  const along = alongOf(thigh, shin, extension);
  const off = Math.sqrt(Math.max(1e-12, shin * shin - along * along));
  const side = (knees[at + 1]! - ankles[at + 1]! - along * up) / off;
  const kneeAt = (distance: number): number => {
    const a = alongOf(thigh, shin, distance);
    return a * up + Math.sqrt(Math.max(0, shin * shin - a * a)) * side;
  };
  let [near, far] = [extension, 0.98 * (thigh + shin)];
  if (kneeAt(near) >= over) return near;
  for (let halving = 0; halving < HALVINGS; halving++) {
    const middle = (near + far) / 2;
    if (kneeAt(middle) < over) near = middle;
    else far = middle;
  }
  return far;
}

/** How far from the ankle, along the line to the hip, the knee is. */
function alongOf(thigh: number, shin: number, distance: number): number {
  return (shin * shin - thigh * thigh + distance * distance) / (2 * distance);
}

/** Height of the performer's knee in a frame, scaled to the target's legs. */
function performerKnee({ source, scale }: RetargetPlan, clip: Clip, knee: number): (f: number) => number {
  if (knee < 0) return () => Number.POSITIVE_INFINITY;
  const partial = createPartialPose(source.skeleton, clip, [knee]);
  return (f) => readPartialPose(partial, f).positions[knee * 3 + 1]! * scale;
}
