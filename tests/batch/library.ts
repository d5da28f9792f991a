import { type ChildProcess, spawn } from 'node:child_process';
import { createHash } from 'node:crypto';
import { mkdirSync, mkdtempSync, readdirSync, readFileSync, statSync, writeFileSync } from 'node:fs';
import { rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { build } from 'vite';
import { afterAll } from 'vitest';
import { makeSamples } from '../../samples/make.ts';
import type { CliResult } from '../cli/run-cli.ts';

const ROOT = fileURLToPath(new URL('../..', import.meta.url));

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

/** Short clips of the sample scenario, in folders, and two characters. */
export async function makeLibrary(folder: string): Promise<SampleLibrary> {
  const samples = await makeSamples();
  const write = (name: string, bytes: Uint8Array) => {
    mkdirSync(dirname(join(folder, name)), { recursive: true });
    writeFileSync(join(folder, name), bytes);
  };
  const night = samples.get('night-round.bvh')!;
  write('clips/round.bvh', frames(night, 0, 60));
  write('clips/round-2.bvh', frames(night, 60, 50));
  write('clips/dances/round.bvh', frames(night, 110, 40));
  write('clips/dances/turn.bvh', frames(night, 150, 30));
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

/** Every file of a folder with the hash of its bytes: what has to be equal, whoever made it. */
export function contentOf(folder: string): Record<string, string> {
  const names = readdirSync(folder, { recursive: true, encoding: 'utf8' }).sort();
  const files = names.filter((name) => statSync(join(folder, name)).isFile());
  return Object.fromEntries(
    files.map((name) => [
      name.replaceAll('\\', '/'),
      createHash('sha256')
        .update(readFileSync(join(folder, name)))
        .digest('hex')
        .slice(0, 16),
    ]),
  );
}

let built: Promise<string> | undefined;

/** The command line and its worker as JavaScript beside each other, as in `dist`, built once a test file. */
function builtProgram(): Promise<string> {
  built ??= buildProgram();
  return built;
}

async function buildProgram(): Promise<string> {
  // Two folders below the project, as deep as dist/cli: what it reads beside itself is found alike.
  mkdirSync(join(ROOT, 'out'), { recursive: true });
  const outDir = mkdtempSync(join(ROOT, 'out', 'test-batch-'));
  await build({
    root: ROOT,
    configFile: false,
    logLevel: 'error',
    build: {
      ssr: true,
      outDir,
      emptyOutDir: false,
      target: 'node20',
      minify: false,
      rollupOptions: {
        input: { main: 'src/cli/main.ts', worker: 'src/batch/worker.ts' },
        output: { entryFileNames: '[name].js', chunkFileNames: '[name].js' },
      },
    },
  });
  return outDir;
}

/** Starts the command line as a process of its own. */
export async function startProgram(
  args: readonly string[],
  cwd: string,
): Promise<{ child: ChildProcess; ended: Promise<CliResult> }> {
  const child = spawn(process.execPath, [join(await builtProgram(), 'main.js'), ...args], {
    cwd,
    stdio: ['ignore', 'pipe', 'pipe'],
    env: { ...process.env, NO_COLOR: '1' },
  });
  let stdout = '';
  let stderr = '';
  child.stdout.setEncoding('utf8').on('data', (text) => {
    stdout += text;
  });
  child.stderr.setEncoding('utf8').on('data', (text) => {
    stderr += text;
  });
  const ended = new Promise<CliResult>((done, fail) => {
    child.on('error', fail);
    child.on('close', (code) => done({ code, stdout, stderr }));
  });
  return { child, ended };
}

export async function runProgram(args: readonly string[], cwd: string): Promise<CliResult> {
  return (await startProgram(args, cwd)).ended;
}
