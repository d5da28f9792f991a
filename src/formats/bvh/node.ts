import { open } from 'node:fs/promises';
import { RigproofError } from '../../errors.ts';
import type { BvhFile, BvhReaderOptions } from './bvh-file.ts';
import { createBvhReader } from './reader.ts';

/** Large enough that a chunk's edges cost nothing, small enough for any machine. */
const CHUNK_BYTES = 1024 * 1024;

/**
 * Reads a BVH file from disk without holding its text: memory is that of the result.
 * @throws RigproofError `BVH_FILE` when it cannot be read; else like `parseBvh`.
 */
export async function readBvhFile(path: string, options: BvhReaderOptions = {}): Promise<BvhFile> {
  const reader = createBvhReader(path, options);
  try {
    const file = await open(path);
    try {
      // One piece of memory for all chunks: a stream would take new memory for each.
      const chunk = new Uint8Array(CHUNK_BYTES);
      for (;;) {
        const { bytesRead } = await file.read(chunk, 0, CHUNK_BYTES);
        if (bytesRead === 0) break;
        reader.push(chunk.subarray(0, bytesRead));
      }
    } finally {
      await file.close();
    }
  } catch (cause) {
    if (cause instanceof RigproofError) throw cause;
    const reason = cause instanceof Error ? cause.message : String(cause);
    throw new RigproofError(
      'BVH_FILE',
      `The file cannot be read: ${reason}`,
      { file: path },
      { hint: 'Check that it exists and that you may read it.', cause },
    );
  }
  return reader.finish();
}
