import { setFlagsFromString } from 'node:v8';
import { runInNewContext } from 'node:vm';

let collector: ((options?: { type: 'minor' }) => void) | undefined;

/** Bytes of typed arrays in a thread above which it is worth to look for those that nothing refers to. */
const WORTH_IT = 30e6;

/** And so many more than there were left the last time: a long clip holds more than that by itself, and all in use. */
const GROWTH = 15e6;

/** Bytes that were left by the last collection, or fewer where the engine has collected since. */
let left = 0;

/**
 * Gives back what earlier jobs left behind: typed arrays lie outside of the engine's heap, which lets them grow.
 *
 * To be called while a job is in hand. With its objects go the hidden classes that nothing else has, and with those the
 * compiled code that was made for them: a collection between two jobs makes the next one begin cold.
 *
 * Tried, two threads, 23 clips, three rigs, contact and proof; processor time and peak memory: between jobs, above
 * 24 MB, 28 to 32 s, 254 to 271 MB; never, 21 s, 286 to 306 MB; in the middle of a job, above 24 MB, 25 s, 266 to
 * 273 MB. With a young generation of 12 MB (`pool.ts`), code compiled later, and more that is proved: above 30 MB, 21 s,
 * 267 to 291 MB; above 60 MB, 19 s, 272 to 310 MB. Of that, 30 MB are memory that the C library keeps for the threads
 * that had it: with MALLOC_ARENA_MAX=2 in the environment, 19 s and 267 MB. On 92 clips, single runs: above 30 MB, 69 s,
 * 309 MB; above 60 MB, 50 s, 329 MB; never, 50 s, 301 MB. Since then jobs leave a third less, and most collections found
 * all arrays in use; 92 clips on a busy machine: above 30 MB, 52 s, 273 MB; with `GROWTH`, 47 s, 297 MB; never, 45 s,
 * 319 MB. With workers that compile themselves (`pool.ts`), idle: 23 clips, above 30, above 60 MB and never, 7.5 to 8.3, 7.1 to
 * 7.9, 7.3 to 7.9 s, up to 285, 297 and 283 MB; 92 clips 21.9, 21.0, 20.8 s, 259, 281 and 298 MB. Looking at the young alone
 * takes 2 to 4 ms and at all 11 to 20 ms, so that is done only where the first was not enough. Since hashing leaves nothing
 * behind (`fingerprint.ts`), busy machine: above 30, above 60 MB and never, 23 clips, four runs each, 237 to 248, 242 to 257 and
 * 241 to 246 MB; 92 clips, two runs each, 249 to 265, 252 to 254 and 253 to 255 MB, without a difference in time that could be told
 * from noise.
 */
export function releaseMemory(): void {
  left = Math.min(left, bytesOfArrays());
  if (!isWorthIt()) return;
  collectMemory({ type: 'minor' });
  if (!isWorthIt()) return;
  collectMemory();
  left = bytesOfArrays();
}

/** Gives back all that nothing refers to. Takes 11 to 20 ms. */
export function collectMemory(options?: { type: 'minor' }): void {
  if (!collector) {
    // The collector cannot be called otherwise than through a flag, which may be set while the program runs.
    setFlagsFromString('--expose-gc');
    collector = runInNewContext('gc') as () => void;
  }
  collector(options);
}

function isWorthIt(): boolean {
  const bytes = bytesOfArrays();
  return bytes >= WORTH_IT && bytes >= left + GROWTH;
}

function bytesOfArrays(): number {
  return process.memoryUsage().arrayBuffers;
}
