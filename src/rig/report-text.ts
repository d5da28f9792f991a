import type { Audit } from './audit.ts';
import type { Finding, FindingPlace, Severity, Unit } from './finding.ts';

/** How parts of a text stand out. */
export interface AuditMarks {
  fault(text: string): string;
  good(text: string): string;
  quiet(text: string): string;
  strong(text: string): string;
}

const PLAIN: AuditMarks = { fault: (t) => t, good: (t) => t, quiet: (t) => t, strong: (t) => t };
/** Places that are told one by one. */
const MOST_PLACES = 6;
/** Runs of vertices that are told. */
const MOST_RUNS = 4;
const WIDTH = 100;

/** The audit in words, a line an entry: what is wrong, where, what it leads to and what to do. */
export function describeAudit(audit: Audit, mark: AuditMarks = PLAIN): string[] {
  const lines: string[] = [];
  for (const found of audit.findings) lines.push(...describeFinding(found, mark), '');
  const scores = audit.scores.map(
    ({ part, score }) => `${spaced(part)} ${score < 100 ? mark.fault(String(score)) : score}`,
  );
  lines.push(`  ${mark.quiet('of 100:')} ${scores.join('  ')}`);
  const { fault, warning, note } = audit.counts;
  const count = (n: number, what: Severity) => `${n} ${what}${n === 1 ? '' : 's'}`;
  const summary = `  ${count(fault, 'fault')}, ${count(warning, 'warning')}, ${count(note, 'note')}`;
  lines.push(fault > 0 ? mark.fault(summary) : mark.good(summary));
  return lines;
}

function describeFinding(found: Finding, mark: AuditMarks): string[] {
  const head = `  ${found.severity.padEnd(8)}${found.title}`;
  const places = found.where.slice(0, MOST_PLACES).map((place) => `            ${describePlace(place)}`);
  const rest = found.where.length - MOST_PLACES;
  if (rest > 0) places.push(`            and ${rest} more place${rest === 1 ? '' : 's'}`);
  const measured = `${formatFindingValue(found.value, found.unit)}, allowed ${formatFindingValue(found.threshold, found.unit)} (${found.id})`;
  return [
    found.severity === 'fault' ? mark.fault(head) : mark.strong(head),
    ...places,
    ...wrap(found.meaning, '          '),
    ...wrap(found.remedy, '        → '),
    ...wrap(measured, '          ').map(mark.quiet),
  ];
}

/** Where a finding is: joints, vertices, frames. */
export function describePlace({ joints, mesh, vertices, vertexCount, note, frames }: FindingPlace): string {
  const parts: string[] = [];
  if (joints.length > 0)
    parts.push(joints.slice(0, MOST_PLACES).join(', ') + (joints.length > MOST_PLACES ? ', …' : ''));
  if (vertexCount > 0) {
    const runs = vertices
      .slice(0, MOST_RUNS)
      .map(([first, last]) => (first === last ? `${first}` : `${first}–${last}`));
    const more = vertices.length > MOST_RUNS ? ', …' : '';
    parts.push(
      `${vertexCount} ${vertexCount === 1 ? 'vertex' : 'vertices'} of ${mesh || 'the mesh'} (${runs.join(', ')}${more})`,
    );
  } else if (mesh) parts.push(mesh);
  if (frames) parts.push(frames[0] === frames[1] ? `frame ${frames[0]}` : `frames ${frames[0]}–${frames[1]}`);
  return `${parts.join(': ')}${note ? `${parts.length > 0 ? ' — ' : ''}${note}` : ''}`;
}

/** A measured value the way a person reads it. */
export function formatFindingValue(value: number, unit: Unit): string {
  if (unit === 'share of leg length' || unit === 'share' || unit === 'weight') {
    const percent = `${Number((value * 100).toPrecision(3))} %`;
    return unit === 'share of leg length' ? `${percent} of leg length` : percent;
  }
  const number = String(Number(value.toPrecision(3)));
  if (unit === 'degrees') return `${number}°`;
  if (unit === 'm') return `${number} m`;
  return number;
}

/** `leftArm` → left arm. */
function spaced(part: string): string {
  return part.replace(/[A-Z]/g, (letter) => ` ${letter.toLowerCase()}`);
}

function wrap(text: string, indent: string): string[] {
  const lines: string[] = [];
  let line = '';
  for (const word of text.split(' ')) {
    if (line && line.length + word.length + indent.length >= WIDTH) {
      lines.push(line);
      line = '';
    }
    line += line ? ` ${word}` : word;
  }
  lines.push(line);
  return lines.map((text, i) => (i === 0 ? indent : ' '.repeat(indent.length)) + text);
}
