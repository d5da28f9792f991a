import { mkdtemp, readFile, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { basename, join, relative, resolve } from 'node:path';
import type { Job, JobRecord, Task } from './job.ts';
import { findDone } from './records.ts';
import { isKept } from './run-task.ts';
import { InputCache } from './store/input-cache.ts';
import { sendInput } from './store/inputs.ts';
import type { OpenStore } from './store/open-store.ts';
import { collectResult, findResult, leaveResult } from './store/results.ts';

/** How tasks go from the machine of a batch to those that do them, and how results come back. */
export interface Exchange {
  /** What those who can exchange have in common; part of the name of their queue. */
  readonly id: string;
  /** Makes a task ready for another machine: what it needs is there before it is handed out. */
  send(task: Task): Promise<Task>;
  /** Brings the result of a job into the output folder; null when it is not there in full. */
  collect(job: Job, outputFolder: string): Promise<JobRecord | null>;
  /** Does a task that came from another machine. `work` does it with files of this one. */
  run(task: Task, work: (task: Task) => Promise<JobRecord[]>): Promise<JobRecord[]>;
  /** Removes what lies on this machine only for the time of work. */
  close(): Promise<void>;
}

/** Machines that see the same folders under the same paths: nothing has to be carried. */
export function sharedFolders(): Exchange {
  return {
    id: 'folders',
    // A worker may have been started in another folder than the batch.
    send: async (task) => withPaths(task, resolve),
    collect: ({ output, key }, outputFolder) => findDone(outputFolder, output, key),
    run: (task, work) => work(task),
    close: async () => {},
  };
}

/**
 * Machines that share a store and nothing else. A worker does a task in a folder of its own, then puts the results into
 * the store; the batch brings them into its output folder, which ends as if it had done all itself.
 */
export function throughStore(store: OpenStore): Exchange {
  const sent = new Map<string, Promise<void>>();
  let place: Promise<{ folder: string; cache: InputCache }> | undefined;
  const openPlace = async () => {
    const folder = await mkdtemp(join(tmpdir(), 'rigproof-work-'));
    return { folder, cache: new InputCache(store, join(folder, 'inputs')) };
  };
  return {
    id: store.id,
    async send(task) {
      for (const input of task.jobs.flatMap(({ clip, character }) => [clip, character])) {
        if (!sent.has(input.hash)) sent.set(input.hash, sendInput(store, input));
        await sent.get(input.hash);
      }
      // Where things lie on this machine is of no use to others.
      return { ...withPaths(task, basename), outputFolder: '' };
    },
    collect: (job, outputFolder) => collectResult(store, job, outputFolder),
    async run(task, work) {
      const found = await Promise.all(task.jobs.map((job) => findResult(store, job)));
      const open = task.jobs.filter((_, i) => found[i] === null);
      if (open.length > 0) {
        place ??= openPlace();
        const { folder, cache } = await place;
        const records = await doInFolder({ ...task, jobs: open }, work, { store, folder, cache });
        for (const [k, job] of open.entries()) found[task.jobs.indexOf(job)] = records[k]!;
      }
      return found.map((record) => (record!.status === 'done' ? { ...record!, picture: null } : record!));
    },
    async close() {
      if (place) await rm((await place).folder, { recursive: true, force: true });
    },
  };
}

async function doInFolder(
  task: Task,
  work: (task: Task) => Promise<JobRecord[]>,
  { store, folder, cache }: { store: OpenStore; folder: string; cache: InputCache },
): Promise<JobRecord[]> {
  const inputs = task.jobs.flatMap(({ clip, character }) => [clip, character]);
  return cache.with(inputs, async (paths) => {
    const outputFolder = await mkdtemp(join(folder, 'task-'));
    try {
      const jobs = task.jobs.map((job, i) => ({
        ...job,
        clip: { ...job.clip, path: paths[2 * i]! },
        character: { ...job.character, path: paths[2 * i + 1]! },
      }));
      const records = await work({ ...task, jobs, outputFolder });
      for (const [i, record] of records.entries()) {
        if (isKept(record)) await leaveResult(store, jobs[i]!, record, outputFolder);
      }
      return records;
    } finally {
      await rm(outputFolder, { recursive: true, force: true });
    }
  });
}

function withPaths(task: Task, pathOf: (path: string) => string): Task {
  const changed = <Entry extends { path: string }>(entry: Entry) => ({ ...entry, path: pathOf(entry.path) });
  return {
    ...task,
    jobs: task.jobs.map((job) => ({ ...job, clip: changed(job.clip), character: changed(job.character) })),
  };
}

/** Puts files of the output folder that no job has made into a store too: the summary, and what is packed. */
export async function leaveFiles(store: OpenStore, outputFolder: string, files: readonly string[]): Promise<void> {
  for (const file of files) {
    await store.write(relative(outputFolder, file).replaceAll('\\', '/'), await readFile(file));
  }
}
