import { formatPlace, type Note } from '../errors.ts';
import { ROLES } from '../pairing/roles.ts';
import type { Evidence } from './evidence.ts';
import type { Proof } from './measure.ts';
import { escapeXml } from './report-junit.ts';
import { formatValue } from './report-text.ts';
import { MEASURE_RULES } from './thresholds.ts';

/** A sign beside each verdict, so that colour does not stand alone. */
export const GLYPH = { pass: '✓', fail: '✕', 'not measured': '–' } as const;

/** Every measure with value, threshold and verdict. */
export function measureTable(proof: Proof): string {
  const { legLength } = proof.figures.target;
  const rows = proof.measures.map((m) => {
    const rule = MEASURE_RULES[m.id];
    const value = m.value === null ? '–' : formatValue(m.value, m.unit, legLength);
    const why = m.notMeasured ? ` Not measured: ${m.notMeasured}.` : '';
    return `<tr class="${m.verdict.replace(' ', '-')}"><th scope="row">${rule.title}<details><summary>What and why</summary><p>${escapeXml(m.meaning)}${escapeXml(why)}</p><p>${escapeXml(m.reason)}</p></details></th><td class="num">${escapeXml(value)}</td><td class="num" data-name="at most">${escapeXml(formatValue(m.threshold, m.unit))}</td><td><span class="glyph" aria-hidden="true">${GLYPH[m.verdict]}</span> ${m.verdict}</td></tr>`;
  });
  return `<section><h2>All measures</h2><div class="scroll"><table><thead><tr><th scope="col">Measure</th><th scope="col">Value</th><th scope="col">At most</th><th scope="col">Verdict</th></tr></thead><tbody>${rows.join('')}</tbody></table></div></section>`;
}

/** Which joint of the source leads which joint of the character: a wrong pairing is seen here first. */
export function pairingTable({ target, source }: Evidence): string {
  const own = target.figure;
  const its = source?.figure;
  const name = (figure: typeof own | undefined, role: (typeof ROLES)[number]) => {
    const joint = figure?.roles[role];
    return figure && joint !== undefined ? figure.skeleton.names[joint] || `#${joint}` : null;
  };
  const rows = ROLES.flatMap((role) => {
    const [from, onto] = [name(its, role), name(own, role)];
    if (onto === null && from === null) return [];
    // What only the character has stays at rest: mostly fingers.
    if (its && from === null) return [];
    const cells = [...(its ? [from] : []), onto].map((joint) =>
      joint === null ? '<td>– <span class="limit-note">no joint</span></td>' : `<td>${escapeXml(joint)}</td>`,
    );
    return `<tr><th scope="row">${role}</th>${cells.join('')}</tr>`;
  });
  if (rows.length === 0) return '';
  const heads = ['Role', ...(its ? ['Source'] : []), 'Character'].map((head) => `<th scope="col">${head}</th>`);
  return `<section><h2>Pairing</h2><details><summary>${rows.length} roles and their joints</summary><div class="scroll"><table class="pairs"><thead><tr>${heads.join('')}</tr></thead><tbody>${rows.join('')}</tbody></table></div></details></section>`;
}

/** What was noticed beside the measures. */
export function noteSection(notes: readonly Note[]): string {
  if (notes.length === 0) return '';
  const items = notes.map(({ severity, message, place }) => {
    const where = place?.joint ? formatPlace({ joint: place.joint, frame: place.frame }) : '';
    return `<li class="${severity}"><b>${severity === 'warning' ? '! warning' : 'i note'}</b> ${escapeXml(`${where}${where ? ' ' : ''}${message}`)}</li>`;
  });
  return `<section><h2>Noticed on the way</h2><ul class="notes">${items.join('')}</ul></section>`;
}
