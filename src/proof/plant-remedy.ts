/** Faults of legs that come of plants: what the pelvis is led away for, and the remedy that tells them from faults of the pairing. */
import { oncePerKey } from '../skeleton/once-per.ts';
import { SIDES } from '../skeleton/side.ts';
import { hipSpan } from './build.ts';
import type { Evidence } from './evidence.ts';
import type { Where } from './measure.ts';
import { positionJumpsOf } from './second-differences.ts';
import { quantile } from './statistics.ts';
import { jointPath, type Track } from './track.ts';
import { unreachedOnTarget, unreachedRemedy } from './unreached.ts';

/** What a pelvis has to do for its legs to be off by it: shares of leg length. */
const LEAST = {
  /** It stands so far from where the source's, scaled, is: a leg in a walk leans by 3 degrees for it. */
  distance: 0.05,
  /** Its hip joints change their pace so much within a frame: a quarter of what a joint may jump. */
  jump: 0.005,
} as const;
/** Farther away than this for half of the time, and the figure goes another way than the source: nothing is told by it. */
const ELSEWHERE = 0.5;
/** Frames before and after a place in which the pelvis counts: as many as the source is looked at for pops. */
const AROUND = 3;
/** Hips that are so many times as far apart, against the leg, as the source's are broad. */
const BROAD = 1.5;

/**
 * Of each frame: how far the pelvis is led away, and half the second difference of what its hip joints are led away by, the more
 * of the two sides. Shares of leg length.
 */
type PelvisShift = Record<keyof typeof LEAST, Float64Array>;

/**
 * Where the middle between the hip joints is against the source's, scaled by the legs. Where both usually are apart (heights of
 * hip joints differ) is taken off. Null where a hip joint is missing, or where the figure travels another way.
 */
export const pelvisShift = oncePerKey((target: Track, source: Track): PelvisShift | null => {
  const own = hipsOf(target);
  const its = hipsOf(source);
  if (!own || !its || !target.legLength || !source.legLength) return null;
  const frameCount = Math.min(target.frameCount, source.frameCount);
  const scale = target.legLength / source.legLength;
  const path = new Float64Array(frameCount * 3);
  for (let i = 0; i < path.length; i++)
    path[i] = (own.left[i]! + own.right[i]! - scale * (its.left[i]! + its.right[i]!)) / 2;
  const usual = [0, 1, 2].map((k) =>
    quantile(
      path.filter((_, i) => i % 3 === k),
      0.5,
    ),
  );
  const distance = Float64Array.from({ length: frameCount }, (_, f) => {
    const [x, y, z] = usual.map((middle, k) => path[f * 3 + k]! - middle) as [number, number, number];
    return Math.hypot(x, y, z) / target.legLength;
  });
  if (quantile(distance.slice(), 0.5) > ELSEWHERE) return null;
  const none = new Float64Array(path.length);
  const [left, right] = SIDES.map((side) => {
    const away = path.map((_, i) => own[side][i]! - scale * its[side][i]!);
    return positionJumpsOf(away, none, target.legLength);
  }) as [Float64Array, Float64Array];
  return { distance, jump: left.map((jump, f) => Math.max(jump, right[f]!)) };
});

function hipsOf(track: Track): { left: Float64Array; right: Float64Array } | null {
  const { leftUpperLeg, rightUpperLeg } = track.figure.roles;
  if (leftUpperLeg === undefined || rightUpperLeg === undefined) return null;
  return { left: jointPath(track, leftUpperLeg), right: jointPath(track, rightUpperLeg) };
}

/** What is to be said, and done, where the hips of the rig are broad for its legs; null where they are not. */
export function broadHips(target: Track, source: Track): string | null {
  const [own, its] = [hipSpan(target), hipSpan(source)];
  if (!(own > BROAD * its)) return null;
  const widths = `The hips of the rig are ${own.toFixed(2)} leg lengths apart, those of the performer ${its.toFixed(2)}`;
  return `${widths}: the same turn of the pelvis moves them so much farther, and legs that stand have to make up for it. Set the hips closer together, or lengthen the legs.`;
}

const OTHER_PROPORTIONS =
  'The rig asks for it by legs or feet of other proportions than the performer has. Retarget once without contact (--no-contact) to see the pose without plants.';

/**
 * The remedy for legs, where it is plants that lead them: ones that cannot be reached, or for whose sake the pelvis is led away.
 * Undefined where that explains no place.
 * @param failing     places above the threshold, of any role
 * @param otherwise   the remedy for those that it does not explain
 * @param by          whether it is the distance or a jump of the pelvis that would show in the measure
 * @param mayExplain  false for places that have another cause for sure
 */
export function plantRemedy(
  evidence: Evidence,
  failing: readonly Where[],
  otherwise: string,
  by: keyof typeof LEAST,
  mayExplain: (place: Where) => boolean = () => true,
): string | undefined {
  const { target, source } = evidence;
  const legs = failing.filter((place) => /Leg|Foot|Toes/.test(place.role) && mayExplain(place));
  if (!source || legs.length === 0) return undefined;
  const others = legs.length < failing.length ? ` Elsewhere: ${otherwise}` : '';
  const unreached = unreachedRemedy(legs, unreachedOnTarget(evidence) ?? [], otherwise);
  if (unreached) return unreached.includes('Elsewhere: ') ? unreached : `${unreached}${others}`;
  const series = pelvisShift(target, source)?.[by];
  if (!series) return undefined;
  let most = 0;
  let explained = 0;
  for (const { frames } of legs) {
    let its = 0;
    for (let f = Math.max(0, frames[0] - AROUND); f <= frames[1] + AROUND && f < series.length; f++)
      its = Math.max(its, series[f]!);
    if (its < LEAST[by]) continue;
    explained++;
    most = Math.max(most, its);
  }
  if (explained === 0) return undefined;
  const share = `${(most * 100).toPrecision(2)} % of the leg`;
  const does =
    by === 'distance'
      ? `the pelvis is led away by up to ${share}`
      : `the hips change their pace by up to ${share} within a frame, beside the performer's`;
  const rest = explained < failing.length ? ` Elsewhere: ${otherwise}` : '';
  return `In these frames ${does}, so that feet that stand reach their plants. ${broadHips(target, source) ?? OTHER_PROPORTIONS}${rest}`;
}
