import { handOut } from './hand-out.ts';
import type { CharacterEntry, JobRecord, Task } from './job.ts';
import { openPool } from './pool.ts';
import { failedRecord } from './run-task.ts';

/** Does the given tasks, in their order, somewhere: in threads, or on other machines. */
export type Runner = (
  tasks: readonly Task[],
  report: (task: Task, records: JobRecord[]) => void,
  signal?: AbortSignal,
) => Promise<void>;

/** Worker threads of this process. */
export interface Crew {
  /** Tells it which characters come first, before there are tasks: each thread reads them meanwhile. */
  prepare(characters: readonly CharacterEntry[]): void;
  run: Runner;
  /** Ends the threads. What `run` was given is done by then, unless it was aborted. */
  close(): Promise<void>;
}

/** Starts the threads. They load their program while this one goes on. */
export function openCrew(workers: number): Crew {
  const pool = openPool<Task, JobRecord[], readonly CharacterEntry[]>({ workers });
  return {
    prepare: (characters) => pool.prepare(characters),
    close: () => pool.close(),
    run: (tasks, report, signal) =>
      handOut(
        tasks,
        ({ jobs }) => jobs[0]!.clip.bytes,
        workers,
        signal,
        async (task) => {
          try {
            report(task, await pool.run(task));
          } catch (error) {
            report(
              task,
              task.jobs.map((job) => failedRecord(job, error)),
            );
          }
        },
      ),
  };
}
