import { escapeXml } from '../../proof/report-junit.ts';
import { SHEET_STYLE } from '../../proof/sheet-style.ts';
import { SORT_SCRIPT, SUMMARY_STYLE } from '../summary-style.ts';
import type { Defect } from './defects.ts';
import { DUPLICATE_BELOW } from './duplicates.ts';
import type { TriageFacts } from './summary.ts';
import type { TriageEntry } from './triage-clip.ts';

/** The triage as one page that needs nothing else. */
export function triagePage(
  { entries, groups, unusable, duplicates }: TriageFacts,
  pictures: readonly { clip: string; svg: string }[],
): string {
  const faulty = entries.filter((entry) => entry.status !== 'read' || entry.worst > 0).length + unusable.length;
  const total = entries.length + unusable.length;
  const title = faulty === 0 ? `${total} clips, no defect found` : `${faulty} of ${total} clips have a defect`;
  const byName = new Map(entries.map((entry) => [entry.clip, entry]));
  const broken = [
    ...unusable.map(
      ({ name, error }) => `<li><b>${escapeXml(name)}</b> ${error.code}: ${escapeXml(error.message)}</li>`,
    ),
    ...entries.flatMap((entry) =>
      entry.status === 'read'
        ? []
        : `<li><b>${escapeXml(entry.clip)}</b> ${entry.error.code}: ${escapeXml(entry.error.message)}</li>`,
    ),
  ];
  const shown = pictures.map(
    ({ clip, svg }) =>
      `<div class="job"><h3>${escapeXml(clip)}</h3><p class="when">${escapeXml(firstDefects(byName.get(clip)))}</p>${svg}</div>`,
  );
  const twins = duplicates.map(
    ({ a, b, distance }) =>
      `<tr><td>${escapeXml(a)}</td><td>${escapeXml(b)}</td><td class="num" data-value="${distance}">${distance === 0 ? 'the same' : `${(distance * 100).toFixed(1)} % of leg`}</td></tr>`,
  );
  const heads = [
    'Clip',
    'Skeleton',
    'Frames',
    'A second',
    'Seconds',
    'Unit, m',
    'Travel',
    'Cycle, s',
    'Worst',
    'Defects',
  ];
  return `<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>${title}</title>
<style>${SHEET_STYLE}${SUMMARY_STYLE}</style>
</head>
<body>
<main class="wide">
<header class="${faulty > 0 ? 'fail' : 'pass'}"><p class="verdict">${title}</p><p class="sentence">${groups.length} skeletons, ${duplicates.length} pairs that are nearly the same. What is wrong with a capture shows on every character.</p></header>
${broken.length > 0 ? `<section><h2>Files that could not be read</h2><ul>${broken.join('')}</ul></section>` : ''}
${shown.length > 0 ? `<section><h2>Worst first</h2><p class="legend"><span class="key left-key"></span> left side <span class="key right-key"></span> right side <span class="key mark-key"></span> where to look</p><div class="moments">${shown.join('\n')}</div></section>` : ''}
<section><h2>All of them</h2><p class="legend">A click on a heading sorts by it. Travel: diagonal of the area that the hips cover, in leg lengths. Worst: times what counts as a defect.</p><div class="scroll"><table class="sortable"><thead><tr>${heads.map((name) => `<th scope="col"><button type="button">${name}</button></th>`).join('')}</tr></thead><tbody>
${entries.map(row).join('\n')}
</tbody></table></div></section>
${twins.length > 0 ? `<section><h2>Nearly the same</h2><p class="legend">Mean distance of the joints over 64 moments, without place and heading, below ${DUPLICATE_BELOW * 100} % of the leg.</p><div class="scroll"><table><thead><tr><th scope="col">Clip</th><th scope="col">Clip</th><th scope="col">Distance</th></tr></thead><tbody>${twins.join('')}</tbody></table></div></section>` : ''}
</main>
<script>${SORT_SCRIPT}</script>
</body>
</html>
`;
}

function row(entry: TriageEntry): string {
  const cell = (text: string, value?: number) =>
    `<td${value === undefined ? '' : ` class="num" data-value="${value}"`}>${text}</td>`;
  if (entry.status !== 'read')
    return `<tr class="unreadable">${cell(escapeXml(entry.clip))}${cell(entry.group)}<td colspan="8">${escapeXml(`${entry.error.code}: ${entry.error.message}`)}</td></tr>`;
  const { kind, worst } = entry;
  const cells = [
    cell(escapeXml(entry.clip)),
    cell(entry.group),
    cell(String(entry.frames), entry.frames),
    cell(String(Number(entry.fps.toFixed(3))), entry.fps),
    cell(entry.seconds.toFixed(1), entry.seconds),
    cell(String(Number(entry.metresPerUnit.toPrecision(4))), entry.metresPerUnit),
    cell(`${kind.travel.toFixed(1)} ${kind.isMoving ? 'moving' : 'in place'}`, kind.travel),
    cell(kind.period === null ? '–' : kind.period.toFixed(2), kind.period ?? 0),
    cell(worst > 0 ? worst.toFixed(1) : '–', worst),
    cell(escapeXml(firstDefects(entry))),
  ];
  return `<tr class="${worst > 0 ? 'fail' : 'pass'}">${cells.join('')}</tr>`;
}

/** The worst of each kind in words. */
export function firstDefects(entry: TriageEntry | undefined): string {
  if (entry?.status !== 'read') return '';
  const seen = new Set<string>();
  const firsts = entry.defects.filter(({ kind }) => !seen.has(kind) && seen.add(kind));
  return firsts
    .map((defect) => describeDefect(defect, entry.defects.filter(({ kind }) => kind === defect.kind).length))
    .join('; ');
}

/** `foot slide 14 % of leg, leftFoot, frames 12–40 (and 3 more)` */
function describeDefect({ kind, size, unit, role, frames }: Defect, count: number): string {
  const shown =
    unit === 'leg length'
      ? `${(size * 100).toFixed(0)} % of leg`
      : unit === 'm'
        ? `${(size * 100).toFixed(0)} cm`
        : `${size.toFixed(2)} s`;
  const more = count > 1 ? ` (and ${count - 1} more)` : '';
  return `${kind} ${shown}${role ? `, ${role}` : ''}, frames ${frames[0]}–${frames[1]}${more}`;
}
