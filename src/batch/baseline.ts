import { RigproofError } from '../errors.ts';
import { readTextFile } from '../formats/node.ts';
import type { MeasureRow } from './job.ts';
import type { BatchSummary, SummaryJob } from './summary-format.ts';

/** A change within this share of what passes is no change: small ones come from anything. */
export const BASELINE_TOLERANCE = 0.05; // Common practice, no source.

/** How a measure of a clip on a character differs from the earlier run; or what became of the job as a whole. */
export interface BaselineChange {
  clip: string;
  character: string;
  measure: string;
  before: number | string | null;
  after: number | string | null;
}

export interface BaselineComparison {
  better: BaselineChange[];
  worse: BaselineChange[];
  /** Jobs that only one of the two runs has. */
  added: number;
  removed: number;
  same: number;
}

/**
 * Reads the summary of an earlier run.
 * @throws RigproofError FILE_OPEN, BASELINE_FORMAT
 */
export async function readBaseline(path: string): Promise<BatchSummary> {
  const text = await readTextFile(path);
  let summary: Partial<BatchSummary>;
  try {
    summary = JSON.parse(text);
  } catch {
    summary = {};
  }
  if (summary?.format === 'rigproof-batch' && summary.version === 1 && Array.isArray(summary.jobs))
    return summary as BatchSummary;
  throw new RigproofError(
    'BASELINE_FORMAT',
    'This is not the summary of a batch.',
    { file: path },
    {
      hint: 'Give the summary.json that rigproof batch has written.',
    },
  );
}

/**
 * Compares two runs job by job. A measure is better or worse when it crosses what passes, or moves by more than the
 * tolerance. A job that only the new run has counts as worse when it fails.
 * @param tolerance  share of what passes
 */
export function compareRuns(
  before: BatchSummary,
  after: BatchSummary,
  tolerance = BASELINE_TOLERANCE,
): BaselineComparison {
  const earlier = new Map(before.jobs.map((job) => [nameOf(job), job]));
  const result: BaselineComparison = { better: [], worse: [], added: 0, removed: 0, same: 0 };
  for (const job of after.jobs) {
    const old = earlier.get(nameOf(job));
    earlier.delete(nameOf(job));
    const { clip, character } = job;
    const isGood = job.status === 'done' && job.verdict !== 'fail';
    if (!old) {
      result.added++;
      if (!isGood) result.worse.push({ clip, character, measure: 'verdict', before: null, after: verdictOf(job) });
      continue;
    }
    const changes = compareJobs(old, job, tolerance);
    if (changes.better.length + changes.worse.length === 0) result.same++;
    for (const kind of ['better', 'worse'] as const) {
      for (const change of changes[kind]) result[kind].push({ clip, character, ...change });
    }
  }
  result.removed = earlier.size;
  return result;
}

type Change = Pick<BaselineChange, 'measure' | 'before' | 'after'>;

function compareJobs(before: SummaryJob, after: SummaryJob, tolerance: number): { better: Change[]; worse: Change[] } {
  const better: Change[] = [];
  const worse: Change[] = [];
  if (before.status !== 'done' || after.status !== 'done') {
    const change = { measure: 'verdict', before: verdictOf(before), after: verdictOf(after) };
    if (before.status !== 'done' && after.status === 'done') better.push(change);
    if (before.status === 'done' && after.status !== 'done') worse.push(change);
    return { better, worse };
  }
  const old = new Map<string, MeasureRow>(before.measures.map((measure) => [measure.id, measure]));
  for (const measure of after.measures) {
    const was = old.get(measure.id);
    if (!was) continue;
    const change = { measure: measure.id, before: was.value, after: measure.value };
    if (was.value === null || measure.value === null) {
      // What can no longer be taken hides what it would show.
      if (was.value !== null) worse.push(change);
      if (measure.value !== null) (measure.verdict === 'fail' ? worse : better).push(change);
      continue;
    }
    const moved = measure.value - was.value;
    const isMuch = Math.abs(moved) > tolerance * measure.threshold;
    if (was.verdict !== measure.verdict) (measure.verdict === 'fail' ? worse : better).push(change);
    else if (isMuch && moved !== 0) (moved > 0 ? worse : better).push(change);
  }
  return { better, worse };
}

function nameOf({ clip, character }: SummaryJob): string {
  return `${clip}\n${character}`;
}

function verdictOf(job: SummaryJob): string {
  return job.status === 'done' ? job.verdict : job.status;
}
