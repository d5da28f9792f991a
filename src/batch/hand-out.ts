/** Bytes of clips that are worked on at once. A clip that is larger is worked on alone. */
const BYTES_IN_HAND = 64 * 1024 * 1024; // A BVH of this size holds half an hour of a full body at 120 Hz.

/**
 * Hands out tasks in their order: no more at once than there are workers, nor more than there is room for in memory.
 * @param bytesOf  size of the clip of a task
 * @param signal   when it is aborted, nothing more is handed out; what is in hand is waited for
 */
export async function handOut<Task>(
  tasks: readonly Task[],
  bytesOf: (task: Task) => number,
  workers: number,
  signal: AbortSignal | undefined,
  work: (task: Task) => Promise<void>,
): Promise<void> {
  const inHand = new Set<Promise<void>>();
  let bytes = 0;
  for (const task of tasks) {
    const size = bytesOf(task);
    while (inHand.size >= workers || (inHand.size > 0 && bytes + size > BYTES_IN_HAND)) await Promise.race(inHand);
    if (signal?.aborted) break;
    bytes += size;
    const running: Promise<void> = work(task).finally(() => {
      bytes -= size;
      inHand.delete(running);
    });
    inHand.add(running);
  }
  await Promise.all(inHand);
}
