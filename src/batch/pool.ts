import { Piscina } from 'piscina';
import { RigproofError } from '../errors.ts';

/**
 * The program of a worker stands beside this file under the same extension: compiled in `dist`, and TypeScript when the
 * sources are run (tests, `tsx`). Node of the oldest version that is supported does not read TypeScript, so a worker from
 * source loads tsx first, as its parent did.
 */
const FROM_SOURCE = import.meta.url.endsWith('.ts');
const WORKER = new URL(FROM_SOURCE ? './worker.ts' : './worker.js', import.meta.url).href;

/**
 * Room for short-lived objects in a worker, MB. What a job throws away, its typed arrays too, should die in there: then
 * it is given back at once, and only what survives is looked at.
 *
 * Tried: 4 MB takes a quarter more processor time than 32 MB, since thousands of collections find the arrays of the job in
 * hand alive and keep them. 8, 16 and 24 MB, two workers, 23 clips, three rigs, contact and proof: 23.7, 22.3 and 21.0 s of
 * processor time, peak memory 282, 280 and 291 to 306 MB. Collecting in one thread alone (`--single-threaded-gc`): no
 * difference.
 */
const YOUNG_GENERATION = 16;

/** How often a task is given to a new worker when the one that had it died. */
const MOST_TRIES = 3;

export interface Pool<Task, Result> {
  /** @throws RigproofError BATCH_WORKER_LOST when one worker after the other died of this task */
  run(task: Task): Promise<Result>;
  /** Ends the workers; waits for what they have in hand. */
  close(): Promise<void>;
}

export interface PoolOptions {
  workers: number;
  /** Name of the exported function; the default export when left out. */
  name?: string;
  /** URL of the program of the workers; that of a batch when left out. */
  program?: string;
}

export function openPool<Task, Result>({ workers, name, program }: PoolOptions): Pool<Task, Result> {
  const piscina = new Piscina({
    filename: program ?? WORKER,
    name: name ?? 'default',
    minThreads: workers,
    maxThreads: workers,
    concurrentTasksPerWorker: 1,
    resourceLimits: { maxYoungGenerationSizeMb: YOUNG_GENERATION },
    execArgv: FROM_SOURCE ? ['--import', 'tsx'] : [],
  });
  return {
    async run(task) {
      for (let tries = 1; ; tries++) {
        try {
          return (await piscina.run(task)) as Result;
        } catch (cause) {
          // A task answers with a record whatever happens in it: what is thrown here is the end of a thread.
          if (tries < MOST_TRIES) continue;
          const reason = cause instanceof Error ? cause.message : String(cause);
          throw new RigproofError(
            'BATCH_WORKER_LOST',
            `A worker ended ${tries} times at this clip: ${reason}`,
            {},
            {
              hint: 'It may need more memory than there is: run it alone with --workers 1, or cut the clip.',
              cause,
            },
          );
        }
      }
    },
    close: () => piscina.close(),
  };
}
