import { type ChildProcess, spawn } from 'node:child_process';
import { mkdirSync, mkdtempSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { build } from 'vite';
import type { CliResult } from '../cli/run-cli.ts';

const ROOT = fileURLToPath(new URL('../..', import.meta.url));

/**
 * Builds the command line and its worker as JavaScript beside each other, as in `dist`, into a folder of its own.
 * Returns the folder; who builds it removes it.
 */
export async function buildProgram(): Promise<string> {
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

export interface StartedProgram {
  child: ChildProcess;
  ended: Promise<CliResult>;
}

/**
 * Starts a built command line as a process of its own.
 * @param environment  what it finds in its environment besides that of the tests
 */
export function start(
  built: string,
  args: readonly string[],
  cwd: string,
  environment: NodeJS.ProcessEnv = {},
): StartedProgram {
  const child = spawn(process.execPath, [join(built, 'main.js'), ...args], {
    cwd,
    stdio: ['ignore', 'pipe', 'pipe'],
    env: { ...process.env, NO_COLOR: '1', ...environment },
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
