import type { Note } from '../errors.ts';
import { type Evidence, gatherEvidence } from './evidence.ts';
import type { Measure, Proof, ProofFigure, ProofOptions, Where } from './measure.ts';
import { proofOf } from './prove.ts';
import { escapeXml } from './report-junit.ts';
import { failingMeasures, formatValue, formatWhere, MOST_UNREACHED, remedyOf } from './report-text.ts';
import { drawMoments, type Moment } from './sheet-figures.ts';
import { countFindings, findingAt, type RigReport, rigSection } from './sheet-rig.ts';
import { SHEET_STYLE } from './sheet-style.ts';
import { GLYPH, measureTable, noteSection, pairingTable } from './sheet-tables.ts';
import { angleSection, contactSection } from './sheet-time.ts';
import { MEASURE_RULES } from './thresholds.ts';
import { formatUnreached, worstUnreached } from './unreached.ts';

/** What a sheet shows beside the proof. */
export interface SheetContext {
  /** Names of the figure that was judged and of the motion it plays. */
  target: string;
  source?: string;
  /** Printed as it is; left out when there is none, so that the same input gives the same file. */
  date?: string;
  /** What an audit found in the character: `rigReport` makes it. */
  rig?: RigReport;
  /** What was noticed while reading, pairing and converting. */
  notes?: readonly Note[];
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
  context: SheetContext,
): { proof: Proof; html: string } {
  const evidence = gatherEvidence(target, source, options);
  const proof = proofOf(evidence);
  return { proof, html: sheetOf(evidence, proof, context) };
}

/** @internal The sheet of a proof whose evidence is at hand already. */
export function sheetOf(evidence: Evidence, proof: Proof, context: SheetContext): string {
  const { target: played, source: by } = context;
  const title = `${baseName(played)}${by ? ` playing ${baseName(by)}` : ''}`;
  const sections = [
    header(proof, context),
    findings(evidence, proof, context.rig),
    unreached(proof),
    context.rig ? rigSection(evidence.target, context.rig, isPairedWrong(proof)) : '',
    noteSection([...proof.notes, ...(context.notes ?? [])]),
    moments(evidence, proof),
    contactSection(evidence, proof),
    angleSection(evidence),
    measureTable(proof),
    pairingTable(evidence),
    footer(context),
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

/** A rig that was read with left and right exchanged has findings that it is not to blame for. */
function isPairedWrong({ measures }: Proof): boolean {
  return measures.some(({ id, verdict }) => id === 'sides' && verdict === 'fail');
}

function verdictWord(proof: Proof): string {
  return { pass: 'Holds', fail: 'Does not hold', 'not measured': 'Not measured' }[proof.verdict];
}

function header(proof: Proof, context: SheetContext): string {
  const { counts, figures } = proof;
  const { target, source } = figures;
  const sentence =
    proof.verdict === 'fail'
      ? `${counts.fail} of ${counts.pass + counts.fail} measures ${counts.fail === 1 ? 'is' : 'are'} beyond what passes.`
      : proof.verdict === 'pass'
        ? `All ${counts.pass} measures that could be taken pass.`
        : 'Nothing could be measured.';
  const facts: [term: string, html: string][] = [
    ['Character', `${fileName(context.target)}, ${target.roles} paired joints, leg ${target.legLength.toFixed(2)} m`],
    ['Motion', `${target.frames} frames at ${Number(target.rate.toFixed(2))} a second`],
  ];
  if (source) facts.push(['Source', `${fileName(context.source ?? 'unnamed')}, leg ${source.legLength.toFixed(2)} m`]);
  else facts.push(['Source', 'none: only what the motion itself shows was judged']);
  facts.push([
    'Contacts',
    proof.contacts.from === 'none' ? 'none' : `${proof.contacts.intervals.length}, ${proof.contacts.from}`,
  ]);
  return `<header class="${proof.verdict.replace(' ', '-')}">
<p class="verdict"><span class="glyph" aria-hidden="true">${GLYPH[proof.verdict]}</span> ${verdictWord(proof)}</p>
<p class="sentence">${sentence}${counts.notMeasured > 0 ? ` ${counts.notMeasured} could not be taken.` : ''}</p>
${context.rig ? `<p class="sentence">The rig itself: ${countFindings(context.rig) ?? 'nothing found'}.</p>\n` : ''}<dl>${facts.map(([term, text]) => `<div><dt>${term}</dt><dd>${text}</dd></div>`).join('')}</dl>
</header>`;
}

/** A file by its name, which may be broken where its words end; the path is told on pointing at it. */
function fileName(path: string): string {
  const name = escapeXml(baseName(path)).replaceAll(/[-_.]+/g, '$&<wbr/>');
  return baseName(path) === path ? name : `<span title="${escapeXml(path)}">${name}</span>`;
}

function baseName(path: string): string {
  return path.split(/[/\\]/).at(-1)!;
}

type Cause = NonNullable<ReturnType<typeof findingAt>>;

function findings(evidence: Evidence, proof: Proof, rig: RigReport | undefined): string {
  const failing = failingMeasures(proof);
  if (failing.length === 0) return '';
  const tornAt = new Map<string, Where>();
  for (const { id, where } of failing)
    if (id === 'skin-stretch') for (const place of where) tornAt.set(place.role, place);
  // What tears the skin of a part also takes its volume.
  const causeOf = ({ id }: Measure, place: Where) => {
    const vertex = place.vertex ?? (id === 'skin-collapse' ? tornAt.get(place.role)?.vertex : undefined);
    return rig && vertex && !isPairedWrong(proof) ? findingAt(rig, evidence.target.figure, vertex) : null;
  };
  return `<section><h2>What to mend</h2>${failing.map((m) => finding(m, proof, causeOf)).join('')}</section>`;
}

function finding(measure: Measure, proof: Proof, causeOf: (measure: Measure, place: Where) => Cause | null): string {
  const value = formatValue(measure.value ?? 0, measure.unit, proof.figures.target.legLength);
  const limit = formatValue(measure.threshold, measure.unit);
  const shown = measure.where.slice(0, 5);
  const more = measure.where.length - shown.length + Number(measure.details.placesLeftOut ?? 0);
  const causes = shown.map((place) => causeOf(measure, place));
  const places = shown.map((place, i) => {
    const cause = causes[i] ? `. <b>Cause in the rig, ${causes[i].number}:</b> ${escapeXml(causes[i].title)}` : '';
    return `<li>${escapeXml(formatWhere(place, measure.unit))}${cause}</li>`;
  });
  const allInRig = causes.length > 0 && more === 0 && causes.every((cause) => cause !== null);
  const remedy = allInRig
    ? 'Mend the rig as said below at these numbers, then retarget again.'
    : remedyOf(measure, proof);
  return `<article class="finding"><h3><span class="flag">✕</span> ${MEASURE_RULES[measure.id].title} <span class="number">${escapeXml(value)}</span> <span class="limit-note">at most ${escapeXml(limit)}</span></h3>
<p>${escapeXml(measure.meaning)}</p>${places.length > 0 ? `<ul>${places.join('')}${more > 0 ? `<li>and ${more} more</li>` : ''}</ul>` : ''}
<p class="remedy"><b>To mend it:</b> ${escapeXml(remedy)}</p></article>`;
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
        vertex: place.vertex,
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
  const drawings = drawMoments(evidence.target, evidence.source, chooseMoments(evidence, proof), true);
  const torn = drawings.includes('class="torn"') ? ' <span class="key torn-key"></span> torn skin' : '';
  const source = evidence.source ? '<span class="key source-key"></span> source, scaled to the same leg ' : '';
  return `<section><h2>Moments</h2><p class="legend"><span class="key left-key"></span> left side <span class="key right-key"></span> right side ${source}<span class="key mark-key"></span> where to look${torn}</p><div class="moments">${drawings}</div></section>`;
}

function footer({ date }: SheetContext): string {
  return `<footer><p>Lengths are judged as shares of the leg length, so that small and large characters are judged alike. Joint ranges are for animation, not for medical use.${date ? ` ${escapeXml(date)}.` : ''}</p></footer>`;
}
