/** Room for the arrays of one figure after the other: what was laid out for one is laid out again for the next. */
export interface Arena {
  chunks: Float64Array[];
  /** The chunk that is filled, and how much of it is. */
  chunk: number;
  used: number;
}

/** Numbers a chunk holds at least: half a megabyte, some ten arrays of a thousand frames. */
const CHUNK = 1 << 16;

export function createArena(): Arena {
  return { chunks: [], chunk: 0, used: 0 };
}

/** An array of a length, which holds anything. It is its taker's until `reuse`. */
export function take(arena: Arena, length: number): Float64Array {
  for (; arena.chunk < arena.chunks.length; arena.chunk++, arena.used = 0) {
    const chunk = arena.chunks[arena.chunk]!;
    if (arena.used + length > chunk.length) continue;
    arena.used += length;
    return chunk.subarray(arena.used - length, arena.used);
  }
  arena.chunks.push(new Float64Array(Math.max(length, CHUNK)));
  return take(arena, length);
}

/** What is kept for the next figure, in numbers: 8 MB, a motion of 4,000 frames. A long one is not paid for ever after. */
const KEPT = 1 << 20;

/** Takes all arrays back: who still reads one that was taken before reads what comes next. */
export function reuse(arena: Arena): void {
  let kept = 0;
  arena.chunks = arena.chunks.filter(({ length }) => {
    kept += length;
    return kept <= KEPT;
  });
  arena.chunk = 0;
  arena.used = 0;
}
