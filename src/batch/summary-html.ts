import { escapeXml } from '../proof/report-junit.ts';
import { formatValue } from '../proof/report-text.ts';
import { SHEET_STYLE } from '../proof/sheet-style.ts';
import { MEASURE_RULES } from '../proof/thresholds.ts';
import type { SkeletonGroup } from './groups.ts';
import type { DoneRecord } from './job.ts';
import type { UnusableInput } from './plan.ts';
import type { BatchCounts, SummaryJob } from './summary-format.ts';
import { SORT_SCRIPT, SUMMARY_STYLE } from './summary-style.ts';

export interface PictureRow {
  record: DoneRecord;
  output: string;
}

export interface PageInput {
  counts: BatchCounts;
  groups: readonly SkeletonGroup[];
  unusable: readonly UnusableInput[];
  /** Worst first. */
  pictures: readonly PictureRow[];
  entries: AsyncIterable<SummaryJob>;
}

const GLYPHS = { pass: '✓', fail: '✕', 'not measured': '–', unreadable: '!', missing: '…' } as const;

/** The summary as one page that needs nothing else: what has to be looked at first, then everything in a table. */
export async function* summaryPage({ counts, groups, unusable, pictures, entries }: PageInput): AsyncGenerator<string> {
  const broken = counts.unreadable + counts.unusable;
  const verdict = broken > 0 || counts.fail > 0 ? 'fail' : counts.pass > 0 ? 'pass' : 'not-measured';
  const title = `${counts.pass} of ${counts.jobs} hold`;
  yield `<!doctype html>
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
<header class="${verdict}"><p class="verdict">${title}</p><p class="sentence">${escapeXml(sentence(counts))}</p></header>
`;
  if (unusable.length > 0) {
    yield `<section><h2>Files that could not be used</h2><ul>${unusable
      .map(
        ({ name, error }) =>
          `<li><b>${escapeXml(name)}</b> ${error.code}: ${escapeXml(error.message)}${error.hint ? ` ${escapeXml(error.hint)}` : ''}</li>`,
      )
      .join('')}</ul></section>\n`;
  }
  if (pictures.length > 0) {
    yield '<section><h2>Worst first</h2><p class="legend"><span class="key left-key"></span> left side <span class="key right-key"></span> right side <span class="key source-key"></span> source, scaled to the same leg <span class="key mark-key"></span> where to look</p><div class="moments">';
    for (const { record } of pictures) yield picture(record);
    yield '</div></section>\n';
  }
  yield `<section><h2>All of them</h2><p class="legend">A click on a heading sorts by it.</p><div class="scroll"><table class="sortable"><thead><tr>${[
    'Clip',
    'Character',
    'Verdict',
    'Worst measure',
    'Times what passes',
    'Frames',
    'Output',
  ]
    .map((name) => `<th scope="col"><button type="button">${name}</button></th>`)
    .join('')}</tr></thead><tbody>\n`;
  for await (const entry of entries) yield row(entry);
  yield `</tbody></table></div></section>\n${groupSection(groups)}
<footer><p>Lengths are judged as shares of the leg length. Joint ranges are for animation, not for medical use.</p></footer>
</main>
<script>${SORT_SCRIPT}</script>
</body>
</html>
`;
}

function sentence(counts: BatchCounts): string {
  const parts: string[] = [];
  const add = (count: number, one: string, many: string) => {
    if (count > 0) parts.push(`${count} ${count === 1 ? one : many}`);
  };
  add(counts.fail, 'fails its proof', 'fail their proof');
  add(counts.notMeasured, 'could not be measured', 'could not be measured');
  add(counts.unreadable, 'could not be converted', 'could not be converted');
  add(counts.unusable, 'file could not be used', 'files could not be used');
  add(counts.missing, 'is not done yet', 'are not done yet');
  return parts.length > 0 ? `${parts.join(', ')}.` : 'Nothing has to be looked at.';
}

function link(href: string, text: string): string {
  return `<a href="${escapeXml(href.split('/').map(encodeURIComponent).join('/'))}">${escapeXml(text)}</a>`;
}

function picture({ clip, character, picture: svg, worst, measures, sheet, verdict }: DoneRecord): string {
  const measure = measures.find(({ id }) => id === worst?.id);
  const words =
    worst && measure
      ? `${MEASURE_RULES[worst.id].title} ${formatValue(measure.value ?? 0, measure.unit)}, at most ${formatValue(measure.threshold, measure.unit)}`
      : '';
  return `<div class="job"><h3><span class="glyph ${verdict.replace(' ', '-')}" aria-hidden="true">${GLYPHS[verdict]}</span> ${sheet ? link(sheet, clip) : escapeXml(clip)} <span class="limit-note">on ${escapeXml(character)}</span></h3><p class="when">${escapeXml(words)}</p>${svg ?? ''}</div>\n`;
}

function row(entry: SummaryJob): string {
  const cell = (text: string, value?: number) =>
    `<td${value === undefined ? '' : ` class="num" data-value="${value}"`}>${text}</td>`;
  const names = cell(escapeXml(entry.clip)) + cell(escapeXml(entry.character));
  if (entry.status !== 'done') {
    const why = entry.status === 'unreadable' ? `${entry.error.code}: ${entry.error.message}` : 'not done yet';
    return `<tr class="${entry.status}">${names}${cell(`${GLYPHS[entry.status]} ${entry.status}`)}<td colspan="4">${escapeXml(why)}</td></tr>\n`;
  }
  const { verdict, worst, frames, sheet, outputs } = entry;
  const file = entry.pack ?? outputs[0]!.file;
  const shown = `<span class="glyph" aria-hidden="true">${GLYPHS[verdict]}</span> ${verdict}`;
  return `<tr class="${verdict.replace(' ', '-')}">${names}${cell(sheet ? `<a href="${escapeXml(sheet.split('/').map(encodeURIComponent).join('/'))}">${shown}</a>` : shown)}${cell(worst ? escapeXml(MEASURE_RULES[worst.id].title) : '–')}${cell(worst ? worst.ratio.toFixed(2) : '–', worst?.ratio ?? 0)}${cell(String(frames), frames)}${cell(link(file, file))}</tr>\n`;
}

function groupSection(groups: readonly SkeletonGroup[]): string {
  const rows = groups.map(
    ({ id, family, clips, joints, from, doubts }) =>
      `<tr><th scope="row">${id}</th><td>${family}</td><td class="num">${clips}</td><td class="num">${joints}</td><td>${escapeXml(from)}</td><td>${doubts.length > 0 ? escapeXml(doubts.join(' ')) : 'sure'}</td></tr>`,
  );
  return `<section><h2>Skeletons</h2><div class="scroll"><table><thead><tr>${['Group', 'Family', 'Clips', 'Joints', 'Read from', 'Pairing'].map((name) => `<th scope="col">${name}</th>`).join('')}</tr></thead><tbody>${rows.join('')}</tbody></table></div></section>`;
}
