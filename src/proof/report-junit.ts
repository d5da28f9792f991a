import type { Proof } from './measure.ts';
import { formatValue, formatWhere, remedyOf } from './report-text.ts';
import { MEASURE_RULES } from './thresholds.ts';

/**
 * The proof as XML in the JUnit style that build servers read: one test case a measure.
 * @param name  what was measured, for the suite
 */
export function formatProofJunit(proof: Proof, name: string): string {
  const { counts, measures } = proof;
  const lines = [
    '<?xml version="1.0" encoding="UTF-8"?>',
    `<testsuites tests="${measures.length}" failures="${counts.fail}" errors="0" skipped="${counts.notMeasured}">`,
    `  <testsuite name="${escapeXml(name)}" tests="${measures.length}" failures="${counts.fail}" errors="0" skipped="${counts.notMeasured}" time="0">`,
  ];
  for (const m of measures) {
    const open = `    <testcase classname="proof" name="${escapeXml(`${m.id}: ${MEASURE_RULES[m.id].title}`)}" time="0"`;
    if (m.verdict === 'pass') {
      lines.push(`${open}/>`);
      continue;
    }
    lines.push(`${open}>`);
    if (m.verdict === 'not measured') lines.push(`      <skipped message="${escapeXml(m.notMeasured ?? '')}"/>`);
    else {
      const value = formatValue(m.value ?? 0, m.unit, proof.figures.target.legLength);
      const message = `${value}, at most ${formatValue(m.threshold, m.unit)}`;
      const text = [
        m.meaning,
        ...m.where.map((place) => formatWhere(place, m.unit)),
        `To mend it: ${remedyOf(m, proof)}`,
      ];
      lines.push(
        `      <failure type="${m.id}" message="${escapeXml(message)}">${escapeXml(text.join('\n'))}</failure>`,
      );
    }
    lines.push('    </testcase>');
  }
  lines.push('  </testsuite>', '</testsuites>', '');
  return lines.join('\n');
}

/** Text fit for XML 1.0: the five entities, and no control characters, which the standard forbids. */
export function escapeXml(text: string): string {
  return text
    .replace(/[^\t\n\r\u0020-\uD7FF\uE000-\uFFFD\u{10000}-\u{10FFFF}]/gu, '')
    .replace(/&/g, '&amp;')
    .replace(/</g, '&lt;')
    .replace(/>/g, '&gt;')
    .replace(/"/g, '&quot;')
    .replace(/'/g, '&apos;');
}
