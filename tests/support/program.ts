import { type ChildProcess, spawn } from 'node:child_process';
import { createHash } from 'node:crypto';
import { existsSync, mkdirSync, mkdtempSync, readdirSync, readFileSync, renameSync, rmSync, statSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { build } from 'vite';

const ROOT = fileURLToPath(new URL('../..', import.meta.url));
const CONFIG = join(ROOT, 'vite.program.config.ts');
/** Two folders below the project, as deep as dist/cli: what the program reads beside itself is found alike. */
const OUT = join(ROOT, 'out');
/** Builds of sources that are no more are kept this long, ms: another run of tests may be in the midst of them. */
const KEPT = 3600_000;

let building: Promise<string> | undefined;

/**
 * The folder of the command line and its worker as JavaScript beside each other, as in `dist`. It is built once a state of
 * the sources, whatever test asks first, and starts twice as fast as from source.
 */
export function builtProgram(): Promise<string> {
  building ??= buildOnce();
  return building;
}

async function buildOnce(): Promise<string> {
  const folder = join(OUT, `program-${digestOfSources()}`);
  if (existsSync(folder)) return folder;
  mkdirSync(OUT, { recursive: true });
  removeOld();
  const made = mkdtempSync(join(OUT, 'building-'));
  await build({
    root: ROOT,
    configFile: CONFIG,
    logLevel: 'error',
    build: { outDir: made, emptyOutDir: false },
  });
  try {
    renameSync(made, folder);
  } catch (error) {
    // Another test file was faster: theirs is the same.
    rmSync(made, { recursive: true, force: true });
    if (!existsSync(folder)) throw error;
  }
  return folder;
}

function digestOfSources(): string {
  const hash = createHash('sha256');
  const add = (path: string) => hash.update(path).update(readFileSync(join(ROOT, path)));
  for (const path of ['package.json', 'package-lock.json', 'vite.program.config.ts']) add(path);
  for (const entry of readdirSync(join(ROOT, 'src'), { recursive: true }).sort()) {
    const path = join('src', String(entry));
    if (statSync(join(ROOT, path)).isFile()) add(path);
  }
  return hash.digest('hex').slice(0, 16);
}

function removeOld(): void {
  for (const name of readdirSync(OUT)) {
    if (!/^(program|building)-/.test(name)) continue;
    const path = join(OUT, name);
    if (Date.now() - statSync(path).mtimeMs > KEPT) rmSync(path, { recursive: true, force: true });
  }
}

export interface CliResult {
  code: number | null;
  stdout: string;
  stderr: string;
}

export interface StartedProgram {
  child: ChildProcess;
  ended: Promise<CliResult>;
}

/**
 * Starts the command line as a process of its own, with stdin closed and no terminal.
 * @param environment  what it finds in its environment besides that of the tests
 */
export async function startProgram(
  args: readonly string[],
  cwd: string,
  environment: NodeJS.ProcessEnv = {},
): Promise<StartedProgram> {
  return startBuilt(await builtProgram(), args, cwd, environment);
}

/** The same and waits for its end. */
export async function runProgram(
  args: readonly string[],
  cwd: string,
  environment?: NodeJS.ProcessEnv,
): Promise<CliResult> {
  return (await startProgram(args, cwd, environment)).ended;
}

/** The same at once, of a program that `builtProgram` has built. */
export function startBuilt(
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
