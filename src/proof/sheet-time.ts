import { SIDES } from '../skeleton/side.ts';
import { carryingPaths } from './carrying-paths.ts';
import type { Evidence } from './evidence.ts';
import { JOINT_RANGES, jointAngles } from './joint-angles.ts';
import type { Proof } from './measure.ts';
import { driftOf } from './plants.ts';
import { escapeXml } from './report-junit.ts';
import { type Curve, contactChart, curveChart, rangeLimits } from './sheet-charts.ts';

/** When heels and balls stand, and how far they drift while they do. */
export function contactSection(evidence: Evidence, proof: Proof): string {
  const { target, spans } = evidence;
  if (proof.contacts.intervals.length === 0) return '';
  const rule = (id: 'plant-travel' | 'plant-drift') => proof.measures.find((m) => m.id === id)!.threshold;
  const bars = contactChart(
    proof.contacts.intervals,
    target.frameCount,
    target.frameDuration,
    evidence.options.inPlace ? Number.POSITIVE_INFINITY : rule('plant-travel'),
  );
  const curves: Curve[] = [];
  for (const side of SIDES) {
    const paths = carryingPaths(evidence, side);
    if (!paths) continue;
    // The worse of heel and ball; a gap where neither stands.
    const drift = new Float64Array(target.frameCount).fill(Number.NaN);
    for (const point of ['heel', 'ball'] as const) {
      const own = driftOf(paths[point], spans[side][point], target.legLength);
      for (const [first, last] of spans[side][point])
        for (let f = first; f <= last; f++) drift[f] = Math.max(Number.isNaN(drift[f]!) ? 0 : drift[f]!, own[f]! * 100);
    }
    curves.push({ label: `${side} foot`, kind: side, values: drift });
  }
  const chart = curveChart(curves, {
    label: 'Plant drift over time',
    frameCount: target.frameCount,
    dt: target.frameDuration,
    unit: ' %',
    limits: [
      {
        value: rule('plant-drift') * 100,
        label: `95 of 100 frames below ${Number((rule('plant-drift') * 100).toPrecision(3))} %`,
      },
    ],
  });
  const legend =
    '<p class="legend"><span class="key left-key"></span> left <span class="key right-curve-key"></span> right</p>';
  return `<section><h2>Feet on the ground</h2><p>When heel and ball stand. A hatched bar with ✕ travels too far over the floor.</p>${bars}<h3>Plant drift, share of leg length</h3>${evidence.options.inPlace ? '<p>Not judged: the travel of the root was removed on purpose.</p>' : `${legend}${chart}`}</section>`;
}

/** Angles of the joints with a published range, left and right, against the source's. */
export function angleSection(evidence: Evidence): string {
  const { target, source } = evidence;
  if (target.frameCount === 0) return '';
  const charts: string[] = [];
  for (const range of JOINT_RANGES) {
    const curves: Curve[] = [];
    for (const side of SIDES) {
      const own = jointAngles(target, `${side} ${range.joint}`);
      if (!own) continue;
      const its = source ? jointAngles(source, `${side} ${range.joint}`) : null;
      if (its) curves.push({ label: `source, ${side} ${range.joint}`, kind: 'source', values: its });
      curves.push({ label: `${side} ${range.joint}`, kind: side, values: own });
    }
    if (curves.length === 0) continue;
    const chart = curveChart(curves, {
      label: `${range.joint} ${range.positive} over time`,
      frameCount: target.frameCount,
      dt: target.frameDuration,
      unit: '°',
      limits: rangeLimits(range),
      band: { min: range.min, max: range.max },
    });
    const name = range.joint[0]!.toUpperCase() + range.joint.slice(1);
    charts.push(`<h3>${name}, ${range.positive}</h3>${chart}<p class="cite">Range: ${escapeXml(range.source)}.</p>`);
  }
  if (charts.length === 0) return '';
  const key = evidence.source ? ' <span class="key source-key"></span> source' : '';
  return `<section><h2>Joint angles</h2><p>Shaded: the published range. For animation, not for medical use.</p><p class="legend"><span class="key left-key"></span> left <span class="key right-curve-key"></span> right${key}</p>${charts.join('')}</section>`;
}
