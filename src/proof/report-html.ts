import { SIDES } from '../skeleton/side.ts';
import { type Evidence, gatherEvidence } from './evidence.ts';
import { JOINT_RANGES, jointAngles } from './joint-angles.ts';
import type { Measure, Proof, ProofFigure, ProofOptions } from './measure.ts';
import { carryingPaths, driftOf } from './plants.ts';
import { proofOf } from './prove.ts';
import { escapeXml } from './report-junit.ts';
import { failingMeasures, formatValue, formatWhere, MOST_UNREACHED } from './report-text.ts';
import { type Curve, contactChart, curveChart, rangeLimits } from './sheet-charts.ts';
import { drawMoments, type Moment } from './sheet-figures.ts';
import { SHEET_STYLE } from './sheet-style.ts';
import { MEASURE_RULES } from './thresholds.ts';
import { formatUnreached, worstUnreached } from './unreached.ts';

export interface SheetLabels {
  /** Names of the figure that was judged and of the motion it plays. */
  target: string;
  source?: string;
  /** Printed as it is; left out when there is none, so that the same input gives the same file. */
  date?: string;
}

/** The most moments that are drawn. */
const MOST_WORST = 6;
const TYPICAL = 3;

/**
 * Proves a motion and lays the proof out as one HTML file that needs nothing else: no network, no script.
 * @throws RigproofError as `prove`
 */
export function proofSheet(
  target: ProofFigure,
  source: ProofFigure | undefined,
  options: ProofOptions,
  labels: SheetLabels,
): { proof: Proof; html: string } {
  const evidence = gatherEvidence(target, source, options);
  const proof = proofOf(evidence);
  return { proof, html: sheetOf(evidence, proof, labels) };
}

/** @internal The sheet of a proof whose evidence is at hand already. */
export function sheetOf(evidence: Evidence, proof: Proof, labels: SheetLabels): string {
  const title = `${labels.target}${labels.source ? ` playing ${labels.source}` : ''}`;
  const sections = [
    header(proof, labels),
    findings(proof),
    unreached(proof),
    moments(evidence, proof),
    contacts(evidence, proof),
    angles(evidence),
    measuresTable(proof),
    footer(proof, labels),
  ];
  return `<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>${escapeXml(`${verdictWord(proof)}: ${title}`)}</title>
<style>${SHEET_STYLE}</style>
</head>
<body>
<svg width="0" height="0" aria-hidden="true" class="defs"><defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="6" height="6" class="hatch-ground"/><line x1="0" x2="0" y1="0" y2="6" class="hatch-line"/></pattern></defs></svg>
<main>
${sections.filter((section) => section !== '').join('\n')}
</main>
</body>
</html>
`;
}

function verdictWord(proof: Proof): string {
  return { pass: 'Holds', fail: 'Does not hold', 'not measured': 'Not measured' }[proof.verdict];
}

const GLYPH = { pass: '✓', fail: '✕', 'not measured': '–' } as const;

function header(proof: Proof, labels: SheetLabels): string {
  const { counts, figures } = proof;
  const { target, source } = figures;
  const sentence =
    proof.verdict === 'fail'
      ? `${counts.fail} of ${counts.pass + counts.fail} measures ${counts.fail === 1 ? 'is' : 'are'} beyond what passes.`
      : proof.verdict === 'pass'
        ? `All ${counts.pass} measures that could be taken pass.`
        : 'Nothing could be measured.';
  const facts: [string, string][] = [
    ['Character', `${labels.target}, ${target.roles} paired joints, leg ${target.legLength.toFixed(2)} m`],
    ['Motion', `${target.frames} frames at ${Number(target.rate.toFixed(2))} a second`],
  ];
  if (source) facts.push(['Source', `${labels.source ?? 'unnamed'}, leg ${source.legLength.toFixed(2)} m`]);
  else facts.push(['Source', 'none: only what the motion itself shows was judged']);
  facts.push([
    'Contacts',
    proof.contacts.from === 'none' ? 'none' : `${proof.contacts.intervals.length}, ${proof.contacts.from}`,
  ]);
  return `<header class="${proof.verdict.replace(' ', '-')}">
<p class="verdict"><span class="glyph" aria-hidden="true">${GLYPH[proof.verdict]}</span> ${verdictWord(proof)}</p>
<p class="sentence">${sentence}${counts.notMeasured > 0 ? ` ${counts.notMeasured} could not be taken.` : ''}</p>
<dl>${facts.map(([term, text]) => `<div><dt>${term}</dt><dd>${escapeXml(text)}</dd></div>`).join('')}</dl>
</header>`;
}

function findings(proof: Proof): string {
  const failing = failingMeasures(proof);
  if (failing.length === 0) return '';
  return `<section><h2>What to mend</h2>${failing.map((m) => finding(m, proof)).join('')}</section>`;
}

function finding(measure: Measure, proof: Proof): string {
  const value = formatValue(measure.value ?? 0, measure.unit, proof.figures.target.legLength);
  const limit = formatValue(measure.threshold, measure.unit);
  const shown = measure.where.slice(0, 5);
  const more = measure.where.length - shown.length + Number(measure.details.placesLeftOut ?? 0);
  const places = shown.map((place) => `<li>${escapeXml(formatWhere(place, measure.unit))}</li>`).join('');
  return `<article class="finding"><h3><span class="flag">✕</span> ${MEASURE_RULES[measure.id].title} <span class="number">${escapeXml(value)}</span> <span class="limit-note">at most ${escapeXml(limit)}</span></h3>
<p>${escapeXml(measure.meaning)}</p>${places ? `<ul>${places}${more > 0 ? `<li>and ${more} more</li>` : ''}</ul>` : ''}
<p class="remedy"><b>To mend it:</b> ${escapeXml(measure.remedy ?? '')}</p></article>`;
}

function unreached(proof: Proof): string {
  const plants = worstUnreached(proof);
  if (plants.length === 0) return '';
  const items = plants.slice(0, MOST_UNREACHED).map((plant) => `<li>${escapeXml(formatUnreached(plant))}</li>`);
  if (plants.length > MOST_UNREACHED) items.push(`<li>and ${plants.length - MOST_UNREACHED} more</li>`);
  return `<section><h2>Plants that could not be reached</h2><p>Feet that stand in the source and that the legs of the character do not get to their spot, although the pelvis gives way.</p><ul>${items.join('')}</ul></section>`;
}

/** The worst moment of each failing measure, then a few evenly spread ones. */
function chooseMoments(evidence: Evidence, proof: Proof): Moment[] {
  const chosen: Moment[] = [];
  for (const measure of failingMeasures(proof)) {
    if (chosen.length >= MOST_WORST) break;
    const place = measure.where[0];
    if (!place) continue;
    const title = MEASURE_RULES[measure.id].title;
    const known = chosen.find((moment) => moment.frame === place.worstFrame && moment.role === place.role);
    if (known) known.title += `, ${title.toLowerCase()}`;
    else
      chosen.push({
        frame: place.worstFrame,
        title: `${title}: ${place.role} (${place.joint})`,
        role: place.role,
        fails: true,
      });
  }
  const { frameCount } = evidence.target;
  for (let i = 0; i < TYPICAL; i++) {
    const frame = Math.round(((i + 0.5) / TYPICAL) * (frameCount - 1));
    if (!chosen.some((moment) => moment.frame === frame))
      chosen.push({ frame, title: 'A typical moment', role: null, fails: false });
  }
  return chosen;
}

function moments(evidence: Evidence, proof: Proof): string {
  if (evidence.target.frameCount === 0) return '';
  const drawings = drawMoments(evidence.target, evidence.source, chooseMoments(evidence, proof));
  const source = evidence.source ? '<span class="key source-key"></span> source, scaled to the same leg ' : '';
  return `<section><h2>Moments</h2><p class="legend"><span class="key left-key"></span> left side <span class="key right-key"></span> right side ${source}<span class="key mark-key"></span> where to look</p><div class="moments">${drawings}</div></section>`;
}

function contacts(evidence: Evidence, proof: Proof): string {
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

function angles(evidence: Evidence): string {
  const { target, source } = evidence;
  if (target.frameCount === 0) return '';
  const charts: string[] = [];
  for (const range of JOINT_RANGES) {
    const curves: Curve[] = [];
    for (const side of SIDES) {
      const own = jointAngles(target, range.joint, side);
      if (!own) continue;
      const its = source ? jointAngles(source, range.joint, side) : null;
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

function measuresTable(proof: Proof): string {
  const { legLength } = proof.figures.target;
  const rows = proof.measures.map((m) => {
    const rule = MEASURE_RULES[m.id];
    const value = m.value === null ? '–' : formatValue(m.value, m.unit, legLength);
    const why = m.notMeasured ? ` Not measured: ${m.notMeasured}.` : '';
    return `<tr class="${m.verdict.replace(' ', '-')}"><th scope="row">${rule.title}<details><summary>What and why</summary><p>${escapeXml(m.meaning)}${escapeXml(why)}</p><p>${escapeXml(m.reason)}</p></details></th><td class="num">${escapeXml(value)}</td><td class="num">${escapeXml(formatValue(m.threshold, m.unit))}</td><td><span class="glyph" aria-hidden="true">${GLYPH[m.verdict]}</span> ${m.verdict}</td></tr>`;
  });
  return `<section><h2>All measures</h2><div class="scroll"><table><thead><tr><th scope="col">Measure</th><th scope="col">Value</th><th scope="col">At most</th><th scope="col">Verdict</th></tr></thead><tbody>${rows.join('')}</tbody></table></div></section>`;
}

function footer(proof: Proof, labels: SheetLabels): string {
  const notes = proof.notes.map((note) => `<li>${escapeXml(note.message)}</li>`).join('');
  return `<footer>${notes ? `<ul>${notes}</ul>` : ''}<p>Lengths are judged as shares of the leg length, so that small and large characters are judged alike. Joint ranges are for animation, not for medical use.${labels.date ? ` ${escapeXml(labels.date)}.` : ''}</p></footer>`;
}
