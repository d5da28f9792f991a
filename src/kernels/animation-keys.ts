/**
 * AssemblyScript, compiled to WebAssembly by `npm run build:kernels`: the rotations of a clip to channels, channels to
 * keys, keys to bytes. The same arithmetic in the same order as `src/formats/gltf/gather-rotations.ts`, `reduce-keys.ts`
 * and `store-keys.ts`, which are its reference: `tests/formats/gltf/key-kernel.test.ts` holds both to the same bits.
 *
 * It owns no memory: `src/formats/gltf/key-kernel.ts` lays everything out and hands over addresses.
 */

import { gather } from './gather-runs.ts';
import { holdsStill, repeat, transpose } from './joint-runs.ts';
import { reduce } from './reduce-keys.ts';
import { storeFloats, storeShorts } from './store-keys.ts';

/** First byte that is free for who starts the kernel. */
export const heapStart: usize = __heap_base;

export { gather, holdsStill, reduce, repeat, storeFloats, storeShorts, transpose };
