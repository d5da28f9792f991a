import type { FromWorker, ToWorker } from './protocol.ts';

type Request = ToWorker extends infer R ? (R extends ToWorker ? Omit<R, 'call'> : never) : never;

/** A fault that the worker reported. */
export class WorkerFault extends Error {
  readonly fault: Extract<FromWorker, { type: 'failed' }>['fault'];

  constructor(fault: Extract<FromWorker, { type: 'failed' }>['fault']) {
    super(fault.message);
    this.fault = fault;
  }
}

/** The page's end of the worker. */
export interface Client {
  /** Sends a request and settles with its first answer; rejects with a WorkerFault. */
  ask<T extends FromWorker['type']>(
    request: Request,
    answer: T,
    transfer?: Transferable[],
  ): Promise<Extract<FromWorker, { type: T }>>;
  /** Sends a request whose answers go to `listen`; returns its number. */
  post(request: Request): number;
  listen(handler: (message: FromWorker) => void): void;
}

export function createClient(): Client {
  const worker = new Worker(new URL('./worker.ts', import.meta.url), { type: 'module', name: 'rigproof' });
  const waiting = new Map<number, { done: (message: FromWorker) => void; fail: (error: Error) => void }>();
  let handler: (message: FromWorker) => void = () => {};
  let calls = 0;
  worker.addEventListener('message', ({ data }: MessageEvent<FromWorker>) => {
    const call = waiting.get(data.call);
    if (!call) {
      handler(data);
      return;
    }
    waiting.delete(data.call);
    if (data.type === 'failed') call.fail(new WorkerFault(data.fault));
    else call.done(data);
  });
  return {
    ask(request, _answer, transfer = []) {
      const call = ++calls;
      return new Promise((done, fail) => {
        waiting.set(call, { done: done as (message: FromWorker) => void, fail });
        worker.postMessage({ ...request, call }, transfer);
      });
    },
    post(request) {
      const call = ++calls;
      worker.postMessage({ ...request, call });
      return call;
    },
    listen(given) {
      handler = given;
    },
  };
}
