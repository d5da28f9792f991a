import { randomBytes } from 'node:crypto';
import { createWriteStream } from 'node:fs';
import { rename, rm } from 'node:fs/promises';
import { join } from 'node:path';
import { Readable } from 'node:stream';
import { pipeline } from 'node:stream/promises';
import { RigproofError } from '../errors.ts';
import { MEASURE_IDS } from '../proof/thresholds.ts';
import { csvCell } from './csv.ts';
import type { Job, JobRecord } from './job.ts';
import type { BatchPlan } from './plan.ts';
import { findDone, readRecord, roundNumber } from './records.ts';
import type { BatchSettings } from './settings.ts';
import type { BatchCounts, BatchSummary, SummaryJob } from './summary-format.ts';
import { type PictureRow, summaryPage } from './summary-html.ts';

export interface SummaryInput {
  outputFolder: string;
  /** File name without extension. */
  name: string;
  version: string;
  settings: BatchSettings;
  plan: BatchPlan;
  jobs: readonly Job[];
  /** Records that are not kept on disk. */
  passing: ReadonlyMap<string, JobRecord>;
}

/** Pictures on the page. More would make it slow to open. */
const MOST_PICTURES = 24;

/**
 * Writes the summary as JSON, CSV and one HTML page. Records are read one after the other, so that the list may be long;
 * nothing depends on when or by whom a job was done, so that every way of doing it gives the same bytes.
 */
export async function writeSummary(
  input: SummaryInput,
): Promise<{ counts: BatchCounts; files: { json: string; csv: string; html: string } }> {
  const { outputFolder, name, plan, jobs } = input;
  const counts: BatchCounts = {
    jobs: jobs.length,
    pass: 0,
    fail: 0,
    notMeasured: 0,
    unreadable: 0,
    missing: 0,
    unusable: plan.unusable.length,
  };
  const worst: { output: string; ratio: number }[] = [];
  for (const job of jobs) {
    const entry = await entryOf(input, job);
    if (entry.status === 'done') {
      counts[entry.verdict === 'not measured' ? 'notMeasured' : entry.verdict]++;
      worst.push({ output: job.output, ratio: entry.worst?.ratio ?? 0 });
    } else counts[entry.status]++;
  }
  worst.sort((a, b) => b.ratio - a.ratio);
  const pictures: PictureRow[] = [];
  for (const { output } of worst.slice(0, MOST_PICTURES)) {
    const record = await readRecord(outputFolder, output);
    if (record?.status === 'done') pictures.push({ record, output });
  }
  const files = {
    json: join(outputFolder, `${name}.json`),
    csv: join(outputFolder, `${name}.csv`),
    html: join(outputFolder, `${name}.html`),
  };
  const entries = () => eachEntry(input);
  await writeStream(files.json, jsonText(input, counts, entries()));
  await writeStream(files.csv, csvText(entries()));
  await writeStream(
    files.html,
    summaryPage({ counts, groups: plan.groups, unusable: plan.unusable, pictures, entries: entries() }),
  );
  return { counts, files };
}

async function* eachEntry(input: SummaryInput): AsyncGenerator<SummaryJob> {
  for (const job of input.jobs) yield entryOf(input, job);
}

async function entryOf(
  { outputFolder, passing }: SummaryInput,
  { output, key, clip, character }: Job,
): Promise<SummaryJob> {
  const record = passing.get(output) ?? (await findDone(outputFolder, output, key));
  if (record === null)
    return { output, status: 'missing', key, clip: clip.name, character: character.label, group: clip.group };
  const { format: _format, version: _version, ...rest } = record;
  if (rest.status === 'unreadable') return { output, ...rest };
  const { picture: _picture, ...job } = rest;
  return { output, ...job };
}

async function* jsonText(
  { plan, settings, version }: SummaryInput,
  counts: BatchCounts,
  entries: AsyncIterable<SummaryJob>,
): AsyncGenerator<string> {
  const head: Omit<BatchSummary, 'jobs'> = {
    format: 'rigproof-batch',
    version: 1,
    tool: version,
    counts,
    settings,
    characters: plan.characters.map(({ label, hash }) => ({ label, hash })),
    groups: plan.groups.map(({ id, family, clips, joints, from, body, doubts }) => ({
      id,
      family,
      clips,
      joints,
      from,
      humanoid: body?.humanoid ?? false,
      doubts,
    })),
    unusable: plan.unusable.map(({ name, error }) => ({ name, code: error.code, message: error.message })),
  };
  yield `${JSON.stringify(head, roundNumber, 2).slice(0, -2)},\n  "jobs": [`;
  let separator = '\n    ';
  for await (const entry of entries) {
    yield separator + JSON.stringify(entry, roundNumber);
    separator = ',\n    ';
  }
  yield '\n  ]\n}\n';
}

const CSV_HEAD = [
  'clip',
  'character',
  'group',
  'verdict',
  'worst',
  'ratio',
  'role',
  'joint',
  'frame',
  'frames',
  'fps',
  'file',
  'bytes',
  'error',
  'message',
];

/** RFC 4180: commas, CRLF, quotes doubled. */
async function* csvText(entries: AsyncIterable<SummaryJob>): AsyncGenerator<string> {
  const line = (cells: readonly (string | number | null)[]) => `${cells.map(csvCell).join(',')}\r\n`;
  yield line([...CSV_HEAD, ...MEASURE_IDS]);
  for await (const entry of entries) {
    const names = [entry.clip, entry.character, entry.group];
    if (entry.status === 'done') {
      const { worst, outputs, measures } = entry;
      const value = new Map(measures.map((m) => [m.id, m.value]));
      yield line([
        ...names,
        entry.verdict,
        worst?.id ?? null,
        worst?.ratio ?? null,
        worst?.role ?? null,
        worst?.joint ?? null,
        worst?.frame ?? null,
        entry.frames,
        entry.fps,
        entry.pack ?? outputs[0]?.file ?? null,
        outputs[0]?.bytes ?? null,
        null,
        null,
        ...MEASURE_IDS.map((id) => value.get(id) ?? null),
      ]);
    } else {
      const error = entry.status === 'unreadable' ? [entry.error.code, entry.error.message] : [null, null];
      yield line([
        ...names,
        entry.status,
        ...CSV_HEAD.slice(4, -2).map(() => null),
        ...error,
        ...MEASURE_IDS.map(() => null),
      ]);
    }
  }
}

/** Writes a long text whole or not at all. */
export async function writeStream(path: string, text: AsyncIterable<string>): Promise<void> {
  const temporary = join(path, '..', `.${randomBytes(6).toString('hex')}.rigproof-part`);
  try {
    await pipeline(Readable.from(text), createWriteStream(temporary, { flush: true }));
    await rename(temporary, path);
  } catch (cause) {
    await rm(temporary, { force: true }).catch(() => {});
    throw new RigproofError(
      'FILE_WRITE',
      'The summary cannot be written.',
      { file: path },
      { hint: 'Check that the folder may be written to and that the disk has room.', cause },
    );
  }
}
