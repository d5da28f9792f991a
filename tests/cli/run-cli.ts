import { spawn } from 'node:child_process';
import { mkdirSync, mkdtempSync } from 'node:fs';
import { rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { build } from 'vite';
import { afterAll } from 'vitest';

const ROOT = fileURLToPath(new URL('../..', import.meta.url));

export interface CliResult {
  code: number | null;
  stdout: string;
  stderr: string;
}

let built: Promise<string> | undefined;

/** The command line as one JavaScript file, built once a test file: a process of it starts twice as fast as from source. */
function builtCli(): Promise<string> {
  built ??= buildCli();
  return built;
}

async function buildCli(): Promise<string> {
  // Two folders below the project, as deep as dist/cli: what it reads beside itself is found alike.
  mkdirSync(join(ROOT, 'out'), { recursive: true });
  const outDir = mkdtempSync(join(ROOT, 'out', 'test-cli-'));
  await build({
    root: ROOT,
    configFile: false,
    logLevel: 'error',
    build: {
      ssr: 'src/cli/main.ts',
      outDir,
      emptyOutDir: false,
      target: 'node20',
      minify: false,
      rollupOptions: { output: { entryFileNames: 'main.js' } },
    },
  });
  return outDir;
}

/** Runs the command line as a process of its own, in `cwd`, with stdin closed and no terminal. */
export async function runCli(args: readonly string[], cwd: string): Promise<CliResult> {
  const main = join(await builtCli(), 'main.js');
  const child = spawn(process.execPath, [main, ...args], {
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
  return new Promise((done, fail) => {
    child.on('error', fail);
    child.on('close', (code) => done({ code, stdout, stderr }));
  });
}

// Whoever runs the command line has built it: the build goes with the tests of the file, scratch folder or not.
afterAll(async () => {
  if (built) await rm(await built, { recursive: true, force: true });
});

/** A folder for the tests of one file. It is removed afterwards. */
export function scratchFolder(): string {
  const folder = mkdtempSync(join(tmpdir(), 'rigproof-cli-'));
  afterAll(() => rm(folder, { recursive: true, force: true }));
  return folder;
}
