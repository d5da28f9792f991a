import { once } from 'node:events';
import { availableParallelism } from 'node:os';
import { setFlagsFromString } from 'node:v8';
import type { Worker } from 'node:worker_threads';
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
 * hand alive and keep them. 12, 16 and 24 MB, two workers, 23 clips, three rigs, contact and proof: 17 s, 17 s and (with
 * the engine's own budget for compiling) 21 s of processor time; peak memory 259 to 286, 270 to 279 and 291 to 306 MB.
 * Collecting in one thread alone (`--single-threaded-gc`): no difference.
 */
const YOUNG_GENERATION = 12;

/** How often a task is given to a new worker when the one that had it died. */
const MOST_TRIES = 3;

/**
 * How much a function has to run before it is compiled for speed, in bytes of its bytecode. A worker lives for seconds, in
 * which compiling takes a third of its time, much of it for code that is thrown away again when the next character looks
 * different; with three times the engine's own budget it is compiled later and once.
 *
 * Tried, two workers, 23 clips, three rigs, contact and proof; processor time: 132 kB (the engine's own) 19.6 to 20.3 s,
 * 400 kB 16.3 s, 800 kB 16.1 s, 1.6 MB 16.7 s, 4 MB 20.0 s; converting only: 7.0, 6.2, 6.3, 6.3 s. Without effect:
 * `--always-sparkplug`, `--no-flush-bytecode`, less inlining, `--maglev`. Not to replace loops while they run (`--no-use-osr`): 14.8 in
 * place of 15.6 s (three runs each, ranges overlap), but one long clip would keep its slow loops to the end.
 */
const COMPILE_BUDGET = 500_000;

/**
 * Whether a worker compiles its code itself: where all cores have workers, the threads that would do it for them only wait for
 * each other. Two workers on two idle cores, three runs alternated: 23 clips, three rigs, contact and proof 7.7 to 8.4 s without,
 * 7.3 s with it (later, on the same machine gone slower, up to 8.3 s); converting only 3.1 to 3.3 and 2.9 to 3.0 s. Peak memory
 * of these runs 267 to 299 and 238 to 244 MB, of later ones with it up to 296 MB.
 * Collecting memory in the worker itself too (`--single-threaded-gc`): converting 2.6 to 2.7 s, proof 7.0 to 7.1 s, but 265 to
 * 302 MB.
 */
function compilesItself(workers: number): boolean {
  return workers >= availableParallelism();
}

/** Engines before this one have no tier between baseline and optimised code, and are what the budget was measured on. */
const NEXT_TIERS = 12;

export interface Pool<Task, Result, Preparation = never> {
  /** @throws RigproofError BATCH_WORKER_LOST when one worker after the other died of this task */
  run(task: Task): Promise<Result>;
  /** Has every worker call the function `prepare` of its program, once and before any task. */
  prepare(preparation: Preparation): void;
  /** Ends the workers, whatever they have in hand. */
  close(): Promise<void>;
}

export interface PoolOptions {
  workers: number;
  /** Name of the exported function; the default export when left out. */
  name?: string;
  /** URL of the program of the workers; that of a batch when left out. */
  program?: string;
}

export function openPool<Task, Result, Preparation = never>({
  workers,
  name,
  program,
}: PoolOptions): Pool<Task, Result, Preparation> {
  if (Number.parseInt(process.versions.v8, 10) < NEXT_TIERS) setFlagsFromString(`--interrupt-budget=${COMPILE_BUDGET}`);
  if (compilesItself(workers)) setFlagsFromString('--no-concurrent-recompilation');
  const piscina = new Piscina({
    filename: program ?? WORKER,
    name: name ?? 'default',
    minThreads: workers,
    maxThreads: workers,
    concurrentTasksPerWorker: 1,
    resourceLimits: { maxYoungGenerationSizeMb: YOUNG_GENERATION },
    execArgv: FROM_SOURCE ? ['--import', 'tsx'] : [],
  });
  const loaded = Promise.allSettled(piscina.threads.map(isLoaded));
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
    prepare(preparation) {
      // A worker that cannot, or is ended meanwhile, has lost nothing: its first task does the same and tells of a fault.
      for (let i = 0; i < workers; i++) void piscina.run(preparation, { name: 'prepare' }).catch(() => {});
    },
    async close() {
      // A thread that is ended in the midst of loading a module ends the process: `require` of one asserts (Node 20.20).
      await loaded;
      await piscina.destroy();
    },
  };
}

/** The first word of a thread is that its program is loaded; one that cannot load it ends. */
function isLoaded(thread: Worker): Promise<unknown> {
  return Promise.race([once(thread, 'message'), once(thread, 'exit')]);
}
