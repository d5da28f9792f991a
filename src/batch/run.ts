import { mkdir } from 'node:fs/promises';
import { resolve } from 'node:path';
import { RigproofError } from '../errors.ts';
import { listClips } from './clip-list.ts';
import { openCrew, type Runner } from './crew.ts';
import type { Job, JobRecord, Task } from './job.ts';
import { checkNaming } from './names.ts';
import { writePacks } from './pack.ts';
import { type BatchPlan, type PlanInput, planBatch, shardOf } from './plan.ts';
import { findDone, removeLeftovers } from './records.ts';
import { collectMemory } from './release-memory.ts';
import type { BatchSettings } from './settings.ts';
import { writeSummary } from './summary.ts';
import type { BatchCounts } from './summary-format.ts';

export interface BatchInput
  extends Pick<PlanInput, 'groupConstraints' | 'characterConstraints' | 'mappingOf' | 'version'> {
  /** Files, folders, patterns, list files. */
  clips: readonly string[];
  characters: readonly string[];
  outputFolder: string;
  settings: BatchSettings;
  workers: number;
  shard?: { index: number; count: number };
  /** Refuse to run when a group is not sure. */
  strict?: boolean;
}

/** How far a run has come. Frames are those of results. */
export interface BatchProgress {
  done: number;
  total: number;
  frames: number;
  /** Seconds since the first job began, and until the last one ends at the rate so far. */
  elapsed: number;
  left: number;
}

export interface BatchEvents {
  /** Before anything is converted. `pending`: jobs that are not done yet. */
  onPlan?(plan: BatchPlan, jobs: { pending: number; total: number }): void;
  onRecord?(record: JobRecord, progress: BatchProgress): void;
  /** When it is aborted, what is in hand is finished and nothing more is begun. */
  signal?: AbortSignal;
}

export interface BatchResult {
  plan: BatchPlan;
  counts: BatchCounts;
  /** Jobs that this run did; the others were done before. */
  converted: number;
  interrupted: boolean;
  files: { json: string; csv: string; html: string };
  /** Files that hold all clips of a character, and their records. */
  packs: string[];
}

/**
 * Puts every clip onto every character. What an earlier run has done, and nothing has changed since, is kept; a run that
 * was cut off goes on where it stopped.
 * @param runner  who does the tasks; threads of this process when left out
 * @throws RigproofError BATCH_NO_CLIP, BATCH_NAMING, BATCH_UNSURE (with `strict`), BATCH_NOTHING_USABLE, FILE_WRITE
 */
export async function runBatch(input: BatchInput, events: BatchEvents = {}, runner?: Runner): Promise<BatchResult> {
  checkNaming(input.settings.naming);
  const outputFolder = resolve(input.outputFolder);
  const clips = await listClips(input.clips, outputFolder);
  if (runner) return carryOut({ ...input, outputFolder }, await planBatch({ ...input, clips }), events, runner);
  const crew = openCrew(Math.min(input.workers, Math.max(1, clips.length)));
  try {
    // What a task keeps open is what a thread can get ready.
    const plan = await planBatch({ ...input, clips }, (characters) =>
      crew.prepare(characters.slice(0, TASK_CHARACTERS)),
    );
    return await carryOut({ ...input, outputFolder }, plan, events, crew.run);
  } finally {
    await crew.close();
  }
}

async function carryOut(input: BatchInput, plan: BatchPlan, events: BatchEvents, runner: Runner): Promise<BatchResult> {
  const { outputFolder, shard } = input;
  const jobs = shard ? shardOf(plan.jobs, shard.index, shard.count) : plan.jobs;
  if (plan.jobs.length === 0) throw nothingUsable(plan);

  await makeFolder(outputFolder);
  await removeLeftovers(outputFolder);
  const pending: Job[] = [];
  for (const job of jobs) {
    if ((await findDone(outputFolder, job.output, job.key)) === null) pending.push(job);
  }
  events.onPlan?.(plan, { pending: pending.length, total: jobs.length });
  const doubtful = plan.groups.filter(({ doubts }) => doubts.length > 0);
  if (input.strict && doubtful.length > 0) {
    throw new RigproofError(
      'BATCH_UNSURE',
      `${doubtful.length} of ${plan.groups.length} skeleton groups are not sure: ${doubtful.map(({ id }) => id).join(', ')}.`,
      {},
      {
        hint: 'Say which joint is which with --mapping-for GROUP=FILE (rigproof pair writes such a file), or leave out --strict.',
      },
    );
  }

  const progress = trackProgress(pending.length);
  const passing = new Map<string, JobRecord>();
  const report = (task: Task, records: JobRecord[]) => {
    for (const [i, record] of records.entries()) {
      passing.set(task.jobs[i]!.output, record);
      if (record.status === 'done') passing.delete(task.jobs[i]!.output);
      events.onRecord?.(record, progress(record));
    }
  };
  // Once, whatever there is: what planning has read lies about for as long as the run takes.
  if (pending.length > 0) collectMemory();
  if (pending.length > 0) await runner(tasksOf(pending, plan, input.settings, outputFolder), report, events.signal);

  const packs = input.settings.pack && !shard ? await writePacks(plan.characters, jobs, outputFolder) : [];
  const name = shard ? `summary-${shard.index}-of-${shard.count}` : 'summary';
  const summary = await writeSummary({
    outputFolder,
    name,
    version: input.version,
    settings: input.settings,
    plan,
    jobs,
    passing,
  });
  return {
    plan,
    counts: summary.counts,
    converted: progress.done(),
    interrupted: events.signal?.aborted === true && progress.done() < pending.length,
    files: summary.files,
    packs,
  };
}

function nothingUsable({ unusable }: BatchPlan): RigproofError {
  const first = unusable[0];
  return first
    ? new RigproofError(first.error.code, first.error.message, first.error.place, {
        hint: first.error.hint,
        cause: first.error,
      })
    : new RigproofError(
        'BATCH_NOTHING_USABLE',
        'There is no clip, or no character, to begin with.',
        {},
        { hint: 'Give clips, and at least one --character.' },
      );
}

async function makeFolder(path: string): Promise<void> {
  try {
    await mkdir(path, { recursive: true });
  } catch (cause) {
    throw new RigproofError(
      'FILE_WRITE',
      `The output folder cannot be made (${(cause as { code?: string }).code}).`,
      { file: path },
      { hint: 'Give another folder with -o.', cause },
    );
  }
}

/** Characters that go with a clip in one task: as many as a worker keeps open. */
const TASK_CHARACTERS = 4;

/**
 * A task is a clip with a few characters, so that it is read once. Long clips come first: the last ones are then short
 * and no worker ends long after the others. Characters beyond a task's share follow later, so that a worker need not
 * keep all of them open.
 */
export function tasksOf(
  pending: readonly Job[],
  plan: BatchPlan,
  settings: BatchSettings,
  outputFolder: string,
): Task[] {
  const block = new Map(plan.characters.map(({ label }, i) => [label, Math.floor(i / TASK_CHARACTERS)]));
  const bodies = new Map(plan.groups.map(({ id, body }) => [id, body]));
  const tasks = new Map<string, { task: Task; block: number; bytes: number }>();
  for (const job of pending) {
    const number = block.get(job.character.label)!;
    const id = `${number} ${job.clip.path} ${job.clip.animation}`;
    const known = tasks.get(id);
    if (known) known.task.jobs.push(job);
    else {
      const task: Task = { jobs: [job], body: bodies.get(job.clip.group) ?? null, settings, outputFolder };
      tasks.set(id, { task, block: number, bytes: job.clip.bytes });
    }
  }
  return [...tasks.values()].sort((a, b) => a.block - b.block || b.bytes - a.bytes).map(({ task }) => task);
}

function trackProgress(total: number): ((record: JobRecord) => BatchProgress) & { done(): number } {
  const start = performance.now();
  let done = 0;
  let frames = 0;
  const step = (record: JobRecord): BatchProgress => {
    done++;
    if (record.status === 'done') frames += record.frames;
    const elapsed = (performance.now() - start) / 1000;
    return { done, total, frames, elapsed, left: (elapsed / done) * (total - done) };
  };
  return Object.assign(step, { done: () => done });
}
