import { distanceVec } from '../math/vec.ts';
import { type RoleMap, sidedRole } from '../pairing/roles.ts';
import type { Clip } from '../skeleton/clip.ts';
import type { Side } from '../skeleton/side.ts';
import { isWithin, type Skeleton } from '../skeleton/skeleton.ts';
import type { Vec } from './foot.ts';
import { quantile } from './motion.ts';
import { pointTrajectories } from './trajectories.ts';

/** A shin that rises less than this share of its length from ankle to knee (75 degrees off the vertical) lies. */
const UPRIGHT = 0.25;

/**
 * The frame in which a foot stands as it usually does: among those in which its shin is over it, its toes are low and it
 * moves little, the one with the median dip from ankle to toes.
 */
export function standingFrame(skeleton: Skeleton, clip: Clip, roles: RoleMap, side: Side): number {
  const joint = roles[sidedRole(side, 'Foot')] ?? roles[sidedRole(side, 'LowerLeg')];
  if (joint === undefined) return 0;
  const toes = roles[sidedRole(side, 'Toes')];
  const tip = skeleton.tips.find((t) => isWithin(skeleton, joint, t.joint));
  const far =
    toes !== undefined
      ? { joint: toes, at: [0, 0, 0] as Vec }
      : tip && { joint: tip.joint, at: [...tip.offset] as Vec };
  const [ankles] = pointTrajectories(skeleton, clip, joint, [[0, 0, 0]]);
  const ends = far ? pointTrajectories(skeleton, clip, far.joint, [far.at])[0]! : ankles!;
  const { frameCount } = clip;
  const upright = uprightFrames(skeleton, clip, roles[sidedRole(side, 'LowerLeg')], joint, ankles!);
  const count = upright.length;
  const heights = Float64Array.from(upright, (f) => ends[f * 3 + 1]!);
  const low = quantile(heights, count, 0.3);
  // Both ends of a flat foot are slow; one that rolls has a fast end.
  const speeds = Float64Array.from(upright, (f) => {
    const a = Math.max(0, f - 1) * 3;
    const b = Math.min(frameCount - 1, f + 1) * 3;
    return distanceVec(ends, a, ends, b) + distanceVec(ankles!, a, ankles!, b);
  });
  const slow = quantile(speeds.slice(), count, 0.3);
  const standing: { f: number; dip: number }[] = [];
  for (let i = 0; i < count; i++) {
    const f = upright[i]!;
    if (ends[f * 3 + 1]! > low || speeds[i]! > slow) continue;
    standing.push({ f, dip: ankles![f * 3 + 1]! - ends[f * 3 + 1]! });
  }
  if (standing.length === 0) return frameCount > 0 ? lowestFrame(ends) : 0;
  standing.sort((a, b) => a.dip - b.dip);
  return standing[standing.length >> 1]!.f;
}

/** Frames in which a shin is over its foot; all of them where it never is, or where nothing tells. */
function uprightFrames(
  skeleton: Skeleton,
  clip: Clip,
  lowerLeg: number | undefined,
  joint: number,
  ankles: Float64Array,
): Int32Array {
  const all = Int32Array.from({ length: clip.frameCount }, (_, f) => f);
  if (lowerLeg === undefined || lowerLeg === joint) return all;
  const [knees] = pointTrajectories(skeleton, clip, lowerLeg, [[0, 0, 0]]);
  const upright = all.filter(
    (f) => knees![f * 3 + 1]! - ankles[f * 3 + 1]! > UPRIGHT * distanceVec(knees!, f * 3, ankles, f * 3),
  );
  return upright.length > 0 ? upright : all;
}

function lowestFrame(point: Float64Array): number {
  let best = 0;
  for (let f = 1; f < point.length / 3; f++) if (point[f * 3 + 1]! < point[best * 3 + 1]!) best = f;
  return best;
}
