import { mkdirSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { makeSamples } from '../../samples/make.ts';
import { contentOf } from './content.ts';

export { contentOf };

export interface SampleLibrary {
  /** The folder with the clips: two in the root, two in `dances`, and one that is cut off in its hierarchy. */
  clips: string;
  characters: string[];
}

/**
 * Short clips of the sample scenario, in folders, and two characters.
 * @param length  the clips are this many times as long
 */
export async function makeLibrary(folder: string, length = 1): Promise<SampleLibrary> {
  const samples = await makeSamples();
  const write = (name: string, bytes: Uint8Array) => {
    mkdirSync(dirname(join(folder, name)), { recursive: true });
    writeFileSync(join(folder, name), bytes);
  };
  const night = samples.get('night-round.bvh')!;
  write('clips/round.bvh', frames(night, 0, 24 * length));
  write('clips/round-2.bvh', frames(night, 60, 22 * length));
  write('clips/dances/round.bvh', frames(night, 120, 20 * length));
  write('clips/dances/turn.bvh', frames(night, 180, 18 * length));
  write('clips/broken.bvh', night.subarray(0, 300));
  for (const name of ['bodge.glb', 'pim.glb']) write(name, samples.get(name)!);
  return { clips: join(folder, 'clips'), characters: ['bodge.glb', 'pim.glb'].map((name) => join(folder, name)) };
}

/** Some frames of a BVH clip as a clip. */
export function frames(bvh: Uint8Array, from: number, count: number): Uint8Array {
  const lines = new TextDecoder().decode(bvh).split('\n');
  const motion = lines.findIndex((line) => line.startsWith('MOTION'));
  const head = [...lines.slice(0, motion + 1), `Frames: ${count}`, lines[motion + 2]!];
  const rows = lines.slice(motion + 3 + from, motion + 3 + from + count);
  if (rows.length < count) throw new Error(`The sample has no frames ${from} to ${from + count}.`);
  return new TextEncoder().encode(`${[...head, ...rows].join('\n')}\n`);
}
