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
    const lostAfter = address.lostAfter ?? LOST_AFTER;
    const queue = new Queue<Task, JobRecord[]>(name, { connection });
    const events = new QueueEvents(name, { connection });
    queue.on('error', () => {}); // It connects again by itself; what it missed is found by looking.
    events.on('error', () => {});
    const watch = watchQueue(queue, shown, lostAfter);
    const run = new QueueRun(queue, exchange, report, lostAfter);
    events.on('completed', ({ jobId, returnvalue }) => void run.finish(jobId, returnvalue as unknown as JobRecord[]));
    events.on('failed', ({ jobId, failedReason }) => void run.finish(jobId, failedReason));
    const timer = setInterval(() => void run.look(), LOOK_EVERY * 1000);
    let isLost = false;
    try {
      await Promise.race([events.waitUntilReady().then(() => run.carryOut(tasks, signal)), watch.lost, run.fault]);
    } catch (error) {
      isLost = error instanceof RigproofError && error.code === 'QUEUE_LOST';
      throw error;
    } finally {
      watch.stop();
      clearInterval(timer);
      if (isLost) await Promise.all([abandon(events), abandon(queue)]);
      else await Promise.all([events.close(), queue.close()]);
    }
  };
}

/** The tasks of one batch on their way through the queue. */
class QueueRun {
  /** Rejected when results cannot be brought in any more. */
  readonly fault: Promise<never>;
  readonly #queue: Queue<Task, JobRecord[]>;
  readonly #exchange: Exchange;
  readonly #report: (task: Task, records: JobRecord[]) => void;
  readonly #lostAfter: number;
  readonly #waiting = new Map<string, Waiting>();
  readonly #inTurn = atMost(AT_ONCE);
  /** Results that are being brought in. */
  #collecting = 0;
  #isLooking = false;
  #settle = () => {};
  #giveUp!: (error: unknown) => void;

  constructor(
    queue: Queue<Task, JobRecord[]>,
    exchange: Exchange,
    report: (task: Task, records: JobRecord[]) => void,
    lostAfter: number,
  ) {
    this.#queue = queue;
    this.#exchange = exchange;
    this.#report = report;
    this.#lostAfter = lostAfter;
    this.fault = new Promise<never>((_, reject) => {
      this.#giveUp = reject;
    });
    this.fault.catch(() => {}); // It may come before anyone waits for it.
  }

  /** Hands in all tasks and waits for their results. When `signal` is aborted, what nobody has begun is taken back. */
  async carryOut(tasks: readonly Task[], signal?: AbortSignal): Promise<void> {
    await this.#handInAll(tasks, signal);
    const withdraw = () => void this.#withdraw();
    try {
      await new Promise<void>((done) => {
        this.#settle = () => void (this.#waiting.size === 0 && this.#collecting === 0 && done());
        signal?.addEventListener('abort', withdraw);
        if (signal?.aborted) withdraw();
        this.#settle();
      });
    } finally {
      signal?.removeEventListener('abort', withdraw);
    }
  }

  /** A task has ended: with the records that its worker told, or with the reason why there are none. */
  async finish(id: string, told: readonly JobRecord[] | string): Promise<void> {
    const task = this.#waiting.get(id)?.task;
    if (!task) return;
    this.#waiting.delete(id);
    this.#collecting++;
    try {
      this.#report(task, await this.#inTurn(() => collectPatiently(this.#exchange, task, told, this.#lostAfter)));
    } catch (error) {
      this.#giveUp(error);
    }
    this.#collecting--;
    this.#settle();
  }

  /** Looks for tasks that the queue does not know any more. */
  async look(): Promise<void> {
    if (this.#isLooking) return;
    this.#isLooking = true;
    await this.#findForgotten().catch(() => {}); // The next look may do better.
    this.#isLooking = false;
  }

  async #findForgotten(): Promise<void> {
    const known = new Set(
      await this.#queue.getRanges(['waiting', 'active', 'delayed', 'paused', 'prioritized'], 0, -1),
    );
    for (const [id, entry] of this.#waiting) {
      entry.unknown = known.has(id) ? 0 : entry.unknown + 1;
      // Once may be chance: it has just ended, and the message is on its way.
      if (entry.unknown < 2) continue;
      entry.unknown = 0;
      const found = await findAll(this.#exchange, entry.task);
      if (found) void this.finish(id, found);
      else if (entry.again++ < MOST_AGAIN) await this.#add(id, entry);
      else void this.finish(id, 'The queue has forgotten it again and again.');
    }
  }

  /** @throws what handing in one of them threw; nothing is left in the queue then that nobody has begun */
  async #handInAll(tasks: readonly Task[], signal?: AbortSignal): Promise<void> {
    const stop = new AbortController();
    const stopping = signal ? AbortSignal.any([signal, stop.signal]) : stop.signal;
    let fault: unknown;
    await handOut(
      tasks,
      ({ jobs }) => jobs[0]!.clip.bytes,
      AT_ONCE,
      stopping,
      async (task) => {
        await this.#handIn(task).catch((error) => {
          fault ??= error;
          stop.abort();
        });
      },
    );
    if (!stop.signal.aborted) return;
    // Nobody waits for what was handed in before the fault.
    await this.#withdraw();
    throw fault;
  }

  async #handIn(task: Task): Promise<void> {
    // An earlier run may have left it where all can see it.
    const found = await findAll(this.#exchange, task);
    if (found) return this.#report(task, found);
    const sent = await this.#exchange.send(task);
    const id = idOf(sent);
    const entry = { task, sent, unknown: 0, again: 0 };
    this.#waiting.set(id, entry);
    await this.#add(id, entry);
  }

  async #add(id: string, { sent }: Waiting): Promise<void> {
    await this.#queue.add(sent.jobs[0]!.clip.name, sent, {
      jobId: id,
      attempts: MOST_TRIES,
      backoff: { type: 'exponential', delay: FIRST_PAUSE },
      removeOnComplete: true,
      removeOnFail: true,
    });
  }

  async #withdraw(): Promise<void> {
    for (const id of [...this.#waiting.keys()]) {
      // One that is being done cannot be withdrawn; it is waited for.
      const isOut = await this.#queue.remove(id).catch(() => 0);
      if (isOut === 1) this.#waiting.delete(id);
    }
    this.#settle();
  }
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
