import { oncePer } from '../skeleton/once-per.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import { heightsOf } from './joint-paths.ts';
import { hipMiddle, kneeRests, seatRests } from './kneeling.ts';
import { LOW_PARTS, type LowPartName, lowestOf, lowPartOf } from './low-parts.ts';
import type { Measure, Where } from './measure.ts';
import type { Span } from './spans.ts';
import { quantile, spread } from './statistics.ts';
import { MEASURE_RULES } from './thresholds.ts';
import { pathOf, type Track } from './track.ts';

/** What a place is called. */
const LABELS: Record<LowPartName, string> = {
  leftKnee: 'knee',
  rightKnee: 'knee',
  seat: 'seat',
  leftHand: 'hand',
  rightHand: 'hand',
};

/** How knees, seat and hands meet the floor: how deep they go into it, and how far a knee or seat that rests is over it. */
export function measureLowParts(evidence: Evidence): Measure[] {
  const { target } = evidence;
  const ids = ['body-penetration', 'body-float'] as const;
  const none = (why: string): Measure[] => ids.map((id) => notMeasured(evidence, id, why));
  if (target.frameCount === 0) return none('the clip has no frames');
  if (target.legLength === 0) return none('no leg with thigh, shin and foot was paired');
  return [depths(evidence), gaps(evidence)];
}

function depths(evidence: Evidence): Measure {
  const { target, source, sharedFrames } = evidence;
  const places: Where[] = [];
  const parts: Record<string, number> = {};
  let worst = 0;
  // Of one part after the other.
  const depth = new Float64Array(target.frameCount);
  for (const name of LOW_PARTS) {
    const lowest = lowestOf(target, name);
    if (!lowest) continue;
    // What the source itself has in the floor is no fault of the rig.
    const its = source && lowestOf(source, name)?.heights.subarray(0, sharedFrames);
    const deepest = depthsOf(depth, lowest.heights, target.legLength, its ?? NONE, source?.legLength ?? 1);
    parts[name] = deepest;
    worst = Math.max(worst, deepest);
    places.push(...placesOf(target, name, depth, MEASURE_RULES['body-penetration'].threshold));
  }
  return measured(evidence, 'body-penetration', worst, places, { worstMetres: worst * target.legLength, parts });
}

const NONE = new Float64Array(0);

/** Depths below the floor as shares of the leg, less those of another in the same frame; returns the largest. */
function depthsOf(
  out: Float64Array,
  heights: Float64Array,
  legLength: number,
  others: Float64Array,
  theirLegLength: number,
): number {
  let worst = 0;
  for (let f = 0; f < out.length; f++) {
    let depth = 0;
    if (heights[f]! < 0) {
      const its = f < others.length ? Math.max(0, -others[f]! / theirLegLength) : 0;
      depth = Math.max(0, -heights[f]! / legLength - its);
    }
    out[f] = depth;
    if (depth > worst) worst = depth;
  }
  return worst;
}

function gaps(evidence: Evidence): Measure {
  const { target } = evidence;
  const rests = restsOf(evidence.source ?? target);
  const places: Where[] = [];
  const all: number[] = [];
  let bare = false;
  for (const { name, spans, heights } of rests) {
    const lowest = lowestOf(target, name);
    if (!lowest || spans.length === 0) continue;
    if (!lowest.vertices) {
      bare = true;
      continue;
    }
    const gap = new Float64Array(target.frameCount);
    for (const [first, last] of spans) {
      const usual = quantile(heights.subarray(first, last + 1), 0.5);
      for (let f = first; f <= Math.min(last, gap.length - 1); f++) {
        // A source that is about to get up has its knee off the floor already.
        const its = Math.max(0, heights[f]! - usual);
        gap[f] = Math.max(0, lowest.heights[f]! / target.legLength - its);
        all.push(gap[f]!);
      }
    }
    places.push(...placesOf(target, name, gap, MEASURE_RULES['body-float'].threshold));
  }
  if (all.length === 0) {
    const why = bare
      ? 'there is no mesh that tells where the skin is'
      : 'neither a knee nor the seat rests on the floor';
    return notMeasured(evidence, 'body-float', why);
  }
  const { median, p95, worst } = spread(all);
  return measured(evidence, 'body-float', p95, places, { median, p95, worst, worstMetres: worst * target.legLength });
}

interface Rests {
  name: LowPartName;
  spans: Span[];
  /** Height of the joint that rests, a frame, leg lengths. */
  heights: Float64Array;
}

/** When knees and seat of a figure rest on the floor, and how high their joints are. */
const restsOf = oncePer((track: Track): Rests[] => {
  const rests = (['left', 'right'] as const).flatMap((side): Rests[] => {
    const leg = track.limbs[`${side}Leg`];
    if (!leg) return [];
    return [
      {
        name: `${side}Knee`,
        spans: kneeRests(track, side),
        heights: heightsOf(pathOf(track, leg.middle), track.legLength),
      },
    ];
  });
  const middle = hipMiddle(track);
  if (middle) rests.push({ name: 'seat', spans: seatRests(track), heights: heightsOf(middle, track.legLength) });
  return rests;
});

/** Runs of frames above a limit, with the vertex that is lowest where it is worst. */
function placesOf(target: Track, name: LowPartName, values: Float64Array, limit: number): Where[] {
  const { role, joint, skins } = lowPartOf(target.build, name)!;
  const { vertices, meshes } = lowestOf(target, name)!;
  return placesAbove(target, role, joint, values, limit).map((place): Where => {
    if (!vertices || !meshes) return { ...place, note: LABELS[name] };
    const index = vertices[place.worstFrame]!;
    const mesh = skins[meshes[place.worstFrame]!]!.probe.mesh.name;
    return { ...place, note: `${LABELS[name]}, vertex ${index} of ${mesh || 'the mesh'}`, vertex: { mesh, index } };
  });
}
