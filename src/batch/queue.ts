import { setTimeout as pause } from 'node:timers/promises';
import { Queue, QueueEvents } from 'bullmq';
import { RigproofError } from '../errors.ts';
import type { Runner } from './crew.ts';
import type { Exchange } from './exchange.ts';
import { hashOf } from './fingerprint.ts';
import { handOut } from './hand-out.ts';
import type { JobRecord, Task } from './job.ts';
import { abandon, openQueue, type QueueAddress, watchQueue } from './queue-connection.ts';
import { failedRecord } from './run-task.ts';
import { LOST_AFTER } from './settings.ts';

/** A task is tried so often where the fault lies in the moment (a folder that is not mounted yet, a full disk). */
const MOST_TRIES = 4;
/** The first pause between two tries; each further one is twice as long. */
const FIRST_PAUSE = 1000; // ms
/** How often it is looked whether the queue still knows a task: a message may be lost, and a server may forget. */
const LOOK_EVERY = 5; // s
/** Pause before a result is asked for again of a store that does not answer. */
const ASK_AGAIN = 1000; // ms
/** A task that the queue has forgotten is handed in again so often. */
const MOST_AGAIN = 3;
/** Tasks that are handed in, and results that are brought in, at once. */
const AT_ONCE = 8;

/** A task that is not done yet, as the batch knows it and as its worker gets it. */
interface Waiting {
  task: Task;
  sent: Task;
  /** Looks in a row at which the queue did not know it. */
  unknown: number;
  again: number;
}

/**
 * A runner that puts the tasks into a queue and waits for `work` to do them, on whatever machines. The results lie where
 * all can see them, whole and with their records, before a task counts as done: so a task that is done twice (its worker
 * was taken for dead) is done once in effect.
 * @throws RigproofError QUEUE_ADDRESS, QUEUE_CONNECT, QUEUE_LOST, and those of the exchange
 */
export function queueRunner(address: QueueAddress, exchange: Exchange): Runner {
  return async (tasks, report, signal) => {
    const { connection, name, shown } = await openQueue(address, exchange.id);
    const queue = new Queue<Task, JobRecord[]>(name, { connection });
    const events = new QueueEvents(name, { connection });
    queue.on('error', () => {}); // It connects again by itself; what it missed is found by looking.
    events.on('error', () => {});
    const lostAfter = address.lostAfter ?? LOST_AFTER;
    const watch = watchQueue(queue, shown, lostAfter);
    const waiting = new Map<string, Waiting>();
    const inTurn = atMost(AT_ONCE);
    let collecting = 0;
    let settle = () => {};
    let giveUp = (_error: unknown) => {};
    const storeIsLost = new Promise<never>((_, reject) => {
      giveUp = reject;
    });
    storeIsLost.catch(() => {}); // It may come before anyone waits for it.

    const finish = async (id: string, told: readonly JobRecord[] | string) => {
      const task = waiting.get(id)?.task;
      if (!task) return;
      waiting.delete(id);
      collecting++;
      try {
        report(task, await inTurn(() => collectPatiently(exchange, task, told, lostAfter)));
      } catch (error) {
        giveUp(error);
      }
      collecting--;
      settle();
    };
    events.on('completed', ({ jobId, returnvalue }) => void finish(jobId, returnvalue as unknown as JobRecord[]));
    events.on('failed', ({ jobId, failedReason }) => void finish(jobId, failedReason));

    const add = (id: string, { sent }: Waiting) =>
      queue.add(sent.jobs[0]!.clip.name, sent, {
        jobId: id,
        attempts: MOST_TRIES,
        backoff: { type: 'exponential', delay: FIRST_PAUSE },
        removeOnComplete: true,
        removeOnFail: true,
      });
    const handIn = async (task: Task) => {
      // An earlier run may have left it where all can see it.
      const found = await findAll(exchange, task);
      if (found) return report(task, found);
      const sent = await exchange.send(task);
      const id = idOf(sent);
      const entry = { task, sent, unknown: 0, again: 0 };
      waiting.set(id, entry);
      await add(id, entry);
    };
    const look = async () => {
      const known = new Set(await queue.getRanges(['waiting', 'active', 'delayed', 'paused', 'prioritized'], 0, -1));
      for (const [id, entry] of waiting) {
        entry.unknown = known.has(id) ? 0 : entry.unknown + 1;
        // Once may be chance: it has just ended, and the message is on its way.
        if (entry.unknown < 2) continue;
        entry.unknown = 0;
        const found = await findAll(exchange, entry.task);
        if (found) void finish(id, found);
        else if (entry.again++ < MOST_AGAIN) await add(id, entry);
        else void finish(id, 'The queue has forgotten it again and again.');
      }
    };
    let isLooking = false;
    const timer = setInterval(async () => {
      if (isLooking) return;
      isLooking = true;
      await look().catch(() => {}); // The next look may do better.
      isLooking = false;
    }, LOOK_EVERY * 1000);
    const withdraw = async () => {
      for (const id of [...waiting.keys()]) {
        // One that is being done cannot be withdrawn; it is waited for.
        const isOut = await queue.remove(id).catch(() => 0);
        if (isOut === 1) waiting.delete(id);
      }
      settle();
    };
    const run = async () => {
      await events.waitUntilReady();
      const stop = new AbortController();
      const stopping = signal ? AbortSignal.any([signal, stop.signal]) : stop.signal;
      let fault: unknown;
      await handOut(
        tasks,
        ({ jobs }) => jobs[0]!.clip.bytes,
        AT_ONCE,
        stopping,
        async (task) => {
          await handIn(task).catch((error) => {
            fault ??= error;
            stop.abort();
          });
        },
      );
      // Nobody waits for what was handed in before the fault.
      if (stop.signal.aborted) await withdraw();
      if (fault) throw fault;
      await new Promise<void>((done) => {
        settle = () => void (waiting.size === 0 && collecting === 0 && done());
        signal?.addEventListener('abort', withdraw);
        if (signal?.aborted) void withdraw();
        settle();
      });
    };
    let isLost = false;
    try {
      await Promise.race([run(), watch.lost, storeIsLost]);
    } catch (error) {
      isLost = error instanceof RigproofError && error.code === 'QUEUE_LOST';
      throw error;
    } finally {
      watch.stop();
      clearInterval(timer);
      signal?.removeEventListener('abort', withdraw);
      if (isLost) await Promise.all([abandon(events), abandon(queue)]);
      else await Promise.all([events.close(), queue.close()]);
    }
  };
}

/**
 * As `collect`. That a store does not answer says nothing about the clip, whose result it may hold.
 * @param lostAfter  seconds after which it is taken for gone
 * @throws RigproofError STORE_CONNECT
 */
async function collectPatiently(
  exchange: Exchange,
  task: Task,
  told: readonly JobRecord[] | string,
  lostAfter: number,
): Promise<JobRecord[]> {
  const end = performance.now() + lostAfter * 1000;
  for (;;) {
    try {
      return await collect(exchange, task, told);
    } catch (error) {
      if (performance.now() >= end) throw error;
      await pause(ASK_AGAIN);
    }
  }
}

/**
 * The records of a task that has ended. What the worker told stands for jobs of which nothing is kept: they failed because
 * of the moment.
 * @throws RigproofError STORE_CONNECT
 */
async function collect(exchange: Exchange, task: Task, told: readonly JobRecord[] | string): Promise<JobRecord[]> {
  return Promise.all(
    task.jobs.map(async (job, i) => {
      try {
        const record = await exchange.collect(job, task.outputFolder);
        if (record !== null) return record;
      } catch (error) {
        if (error instanceof RigproofError && error.code === 'STORE_CONNECT') throw error;
        return failedRecord(job, error);
      }
      return (typeof told === 'string' ? undefined : told[i]) ?? failedRecord(job, lost(String(told)));
    }),
  );
}

/** The records of a task of which every job is done; else null. */
async function findAll(exchange: Exchange, { jobs, outputFolder }: Task): Promise<JobRecord[] | null> {
  const records: JobRecord[] = [];
  for (const job of jobs) {
    const record = await exchange.collect(job, outputFolder);
    if (record === null) return null;
    records.push(record);
  }
  return records;
}

/** The same tasks have the same id: a run that is started again while the first one's tasks still wait adds nothing. */
function idOf({ jobs, outputFolder }: Task): string {
  return hashOf([outputFolder, ...jobs.map(({ key }) => key)]).slice(0, 32);
}

function lost(reason: string): RigproofError {
  return new RigproofError(
    'BATCH_WORKER_LOST',
    `No worker could do this: ${reason}`,
    {},
    { hint: 'Look at what the workers said: can each of them read the inputs, and write the results?' },
  );
}

/** Lets so many be at work at once; the others wait in a line. */
function atMost(count: number): <T>(work: () => Promise<T>) => Promise<T> {
  let free = count;
  const line: (() => void)[] = [];
  return async (work) => {
    if (free > 0) free--;
    else await new Promise<void>((next) => line.push(next));
    try {
      return await work();
    } finally {
      const next = line.shift();
      if (next) next();
      else free++;
    }
  };
}
