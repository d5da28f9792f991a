import { Queue, Worker } from 'bullmq';
import type { Exchange } from './exchange.ts';
import type { JobRecord, Task } from './job.ts';
import { openPool } from './pool.ts';
import { abandon, openQueue, type QueueAddress, watchQueue } from './queue-connection.ts';
import { isKept } from './run-task.ts';
import { LOST_AFTER } from './settings.ts';

/** How often a task may lose its worker. It may be the task that kills them, so not without end. */
const MOST_LOST = 25;

export interface WorkOptions extends QueueAddress {
  workers: number;
  /** How clips come here, and results go back. */
  exchange: Exchange;
  /**
   * Seconds without a sign after which a worker is taken for dead and its task given to another, and after which the queue
   * is taken for gone.
   */
  lostAfter?: number;
  /** End when nothing is left to do; else when `signal` is aborted. */
  untilEmpty?: boolean;
}

export interface WorkEvents {
  onReady?(): void;
  onTask?(task: Task, records: readonly JobRecord[]): void;
  onTrouble?(message: string): void;
  /** When it is aborted, what is in hand is finished and nothing more is taken. */
  signal?: AbortSignal;
}

/**
 * Does tasks from the queue until it is told to stop. Returns how many it did.
 * @throws RigproofError QUEUE_ADDRESS, QUEUE_CONNECT, QUEUE_LOST
 */
export async function work(options: WorkOptions, events: WorkEvents = {}): Promise<number> {
  const { exchange, workers } = options;
  const { connection, name, shown } = await openQueue(options, exchange.id);
  const pool = openPool<Task, JobRecord[]>({ workers });
  const lostAfter = (options.lostAfter ?? LOST_AFTER) * 1000;
  let count = 0;
  const worker = new Worker<Task, JobRecord[]>(
    name,
    async (job) => {
      const records = await exchange.run(job.data, (task) => pool.run(task));
      const passing = records.find((record) => !isKept(record));
      const triesLeft = job.attemptsMade + 1 < (job.opts.attempts ?? 1);
      // Thrown to be tried again, after a pause. The jobs of the task that went well are not done again.
      if (passing?.status === 'unreadable' && triesLeft) throw new Error(passing.error.message);
      count++;
      events.onTask?.(job.data, records);
      return records;
    },
    {
      connection,
      concurrency: workers,
      lockDuration: lostAfter,
      stalledInterval: lostAfter,
      maxStalledCount: MOST_LOST,
    },
  );
  worker.on('failed', (job, error) => events.onTrouble?.(`${job?.name ?? 'A task'}: ${error.message}`));
  let trouble = '';
  worker.on('error', ({ message }) => {
    if (message !== trouble) events.onTrouble?.(message);
    trouble = message;
  });
  const queue = new Queue(name, { connection });
  queue.on('error', () => {}); // The worker tells of it.
  const watch = watchQueue(queue, shown, lostAfter / 1000);
  let look: NodeJS.Timeout | undefined;
  let isLost = false;
  try {
    await worker.waitUntilReady();
    events.onReady?.();
    const told = new Promise<void>((done) => {
      if (events.signal?.aborted) done();
      events.signal?.addEventListener('abort', () => done());
      if (options.untilEmpty) look = whenEmpty(queue, done);
    });
    // What is in hand ends before the worker does; that needs the queue too.
    await Promise.race([told.then(() => worker.close()), watch.lost]);
  } catch (error) {
    isLost = true;
    throw error;
  } finally {
    watch.stop();
    clearInterval(look);
    if (isLost) {
      // The task in hand is given to another worker when the queue is back. Not waited for: it may have been closing before.
      void worker.close(true);
      await abandon(queue);
    } else await queue.close();
    await pool.close();
    await exchange.close();
  }
  return count;
}

/** Calls `done` once nothing waits and nobody has anything in hand. */
function whenEmpty(queue: Queue, done: () => void): NodeJS.Timeout {
  return setInterval(async () => {
    const counts = await queue.getJobCounts('waiting', 'active', 'delayed').catch(() => null);
    if (counts !== null && Object.values(counts).every((count) => count === 0)) done();
  }, 1000);
}
