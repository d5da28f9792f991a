import type { Measure, Proof, Where } from './measure.ts';
import { MEASURE_RULES, type MeasureId, type Unit } from './thresholds.ts';
import { formatUnreached, worstUnreached } from './unreached.ts';

/** A value the way a person reads it; lengths as a share of the leg, with millimetres where the leg is known. */
export function formatValue(value: number, unit: Unit, legLength?: number): string {
  switch (unit) {
    case 'leg length': {
      const share = `${round(value * 100)} % of leg`;
      return legLength ? `${share} (${round(value * legLength * 1000)} mm)` : share;
    }
    case 'share':
      return `${round(value * 100)} %`;
    case 'degree':
      return `${round(value)}°`;
    case 'ratio':
      return `${round(value)} ×`;
    default:
      return `${value} ${unit}${value === 1 ? '' : 's'}`;
  }
}

/** Two digits behind the point for small values, one up to a hundred. */
function round(value: number): string {
  const size = Math.abs(value);
  if (size !== 0 && size < 0.005) return '<0.01';
  return size < 10 ? value.toFixed(2) : size < 100 ? value.toFixed(1) : value.toFixed(0);
}

/** `leftFoot (Foot.L), frames 12–40, worst 31: 1.2 % of leg` */
export function formatWhere(place: Where, unit: Unit): string {
  // A limb or a joint is at fault as a whole.
  if (unit === 'limb' || unit === 'joint')
    return `${place.role} (${place.joint})${place.note ? `: ${place.note}` : ''}`;
  const [first, last] = place.frames;
  const frames = first === last ? `frame ${first}` : `frames ${first}–${last}, worst ${place.worstFrame}`;
  const note = place.note ? ` (${place.note})` : '';
  return `${place.role} (${place.joint}), ${frames}: ${formatValue(place.value, unit)}${note}`;
}

/** What makes other measures fail as well: it is named before them. */
const CAUSES: readonly MeasureId[] = ['sides', 'limb-gap', 'limb-stretch', 'still-joints'];

/** The failing measures, causes before consequences. */
export function failingMeasures(proof: Proof): Measure[] {
  const failing = proof.measures.filter((m) => m.verdict === 'fail');
  const isCause = (m: Measure) => CAUSES.includes(m.id);
  return [...failing.filter(isCause), ...failing.filter((m) => !isCause(m))];
}

/** Plants that a report names when they could not be reached. */
export const MOST_UNREACHED = 6;

/** What to change, after what has to be mended first because this may follow from it. */
export function remedyOf(measure: Measure, proof: Proof): string {
  const remedy = measure.remedy ?? '';
  if (CAUSES.includes(measure.id)) return remedy;
  const first = failingMeasures(proof).filter(({ id }) => CAUSES.includes(id));
  if (first.length === 0) return remedy;
  const titles = first.map(({ id }) => MEASURE_RULES[id].title.toLowerCase()).join(', ');
  return `This may follow from what fails above (${titles}): mend that first. Else: ${remedy}`;
}

export interface ProofTextOptions {
  /** Places a failing measure; 3 unless said otherwise. */
  places?: number;
  /** Name of what was measured, for the first line. */
  name?: string;
}

/** The proof for a terminal: verdict, what fails with where and what to do, then all the rest in one table. */
export function formatProof(proof: Proof, options: ProofTextOptions = {}): string {
  const { counts, figures } = proof;
  const name = options.name ? `${options.name}: ` : '';
  const verdict = { pass: 'PASS', fail: 'FAIL', 'not measured': 'NOT MEASURED' }[proof.verdict];
  const total = counts.pass + counts.fail;
  const lines = [
    `${name}${verdict}  ${counts.pass} of ${total} measures pass${counts.notMeasured > 0 ? `, ${counts.notMeasured} could not be taken` : ''}`,
  ];
  const { target, source } = figures;
  lines.push(
    `  ${target.frames} frames at ${target.rate.toFixed(2).replace(/\.?0+$/, '')} a second, leg ${round(target.legLength)} m${source ? `, source leg ${round(source.legLength)} m` : ', no source'}; contacts ${proof.contacts.from} (${proof.contacts.intervals.length})`,
  );
  for (const measure of failingMeasures(proof)) lines.push('', ...failure(measure, proof, options.places ?? 3));
  const unreached = worstUnreached(proof);
  if (unreached.length > 0) {
    lines.push('', '  Plants that could not be reached');
    for (const plant of unreached.slice(0, MOST_UNREACHED)) lines.push(`    - ${formatUnreached(plant)}`);
    if (unreached.length > MOST_UNREACHED) lines.push(`    - and ${unreached.length - MOST_UNREACHED} more`);
  }
  const passing = proof.measures.filter((m) => m.verdict === 'pass');
  if (passing.length > 0) lines.push('', ...table(passing));
  const skipped = proof.measures.filter((m) => m.verdict === 'not measured');
  if (skipped.length > 0) {
    lines.push('', '  Not measured');
    for (const m of skipped) lines.push(`    ${MEASURE_RULES[m.id].title}: ${m.notMeasured}`);
  }
  for (const note of proof.notes) lines.push('', `  ${note.severity}: ${note.message}`);
  return `${lines.join('\n')}\n`;
}

function failure(measure: Measure, proof: Proof, places: number): string[] {
  const { legLength } = proof.figures.target;
  const value = formatValue(measure.value ?? 0, measure.unit, legLength);
  const lines = [
    `  FAIL  ${MEASURE_RULES[measure.id].title}: ${value}, at most ${formatValue(measure.threshold, measure.unit)}`,
    `        ${measure.meaning}`,
  ];
  for (const place of measure.where.slice(0, places)) lines.push(`        - ${formatWhere(place, measure.unit)}`);
  const more = measure.where.length - places;
  if (more > 0) lines.push(`        - and ${more} more`);
  if (measure.remedy) lines.push(`        To mend it: ${remedyOf(measure, proof)}`);
  return lines;
}

function table(measures: readonly Measure[]): string[] {
  const rows = measures.map((m) => [
    MEASURE_RULES[m.id].title,
    formatValue(m.value ?? 0, m.unit),
    `at most ${formatValue(m.threshold, m.unit)}`,
  ]);
  const widths = [0, 1].map((column) => Math.max(...rows.map((row) => row[column]!.length)));
  return rows.map((row) => `  pass  ${row[0]!.padEnd(widths[0]!)}  ${row[1]!.padStart(widths[1]!)}  ${row[2]}`);
}
