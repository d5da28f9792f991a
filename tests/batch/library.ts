import { mkdirSync, mkdtempSync, writeFileSync } from 'node:fs';
import { rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { afterAll } from 'vitest';
import { makeSamples } from '../../samples/make.ts';
import type { CliResult } from '../cli/run-cli.ts';
import { contentOf } from './content.ts';
import { buildProgram, type StartedProgram, start } from './program.ts';

export { contentOf };

/** A folder that is removed after the tests of a file. */
export function scratch(): string {
  const folder = mkdtempSync(join(tmpdir(), 'rigproof-batch-'));
  afterAll(async () => {
    await rm(folder, { recursive: true, force: true });
    if (built) await rm(await built, { recursive: true, force: true });
  });
  return folder;
}

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

let built: Promise<string> | undefined;

/** Starts the command line, which is built once a test file. */
export async function startProgram(
  args: readonly string[],
  cwd: string,
  environment?: NodeJS.ProcessEnv,
): Promise<StartedProgram> {
  built ??= buildProgram();
  return start(await built, args, cwd, environment);
}

export async function runProgram(
  args: readonly string[],
  cwd: string,
  environment?: NodeJS.ProcessEnv,
): Promise<CliResult> {
  return (await startProgram(args, cwd, environment)).ended;
}
