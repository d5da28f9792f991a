// What a fresh machine lacks, for the scripts that run before any dependency is there. Plain Node, no imports from npm.
import { spawnSync } from 'node:child_process';
import { existsSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { fileURLToPath } from 'node:url';

export const ROOT = fileURLToPath(new URL('../..', import.meta.url));

/** Runs a command in the project folder and shows what it says. Returns its exit code. */
export function run(command, args, options = {}) {
  const result = spawnSync(command, args, { cwd: ROOT, stdio: ['ignore', 'inherit', 'inherit'], ...options });
  if (result.error) {
    console.error(`${command} could not be started: ${result.error.message}`);
    return 127;
  }
  if (result.signal) console.error(`${command} was ended by ${result.signal}.`);
  return result.status ?? 1;
}

/** Runs a tool of node_modules by its own bin script, so that no shell and no PATH is needed. */
export function runTool(packageName, binName, args, options) {
  const require = createRequire(`${ROOT}package.json`);
  // Not every package exports its package.json: look for the folder itself.
  const folder = require.resolve
    .paths(packageName)
    .map((path) => `${path}/${packageName}`)
    .find((path) => existsSync(`${path}/package.json`));
  if (!folder) {
    console.error(`${packageName} is not installed. Run: npm ci`);
    return 127;
  }
  const { bin } = JSON.parse(readFileSync(`${folder}/package.json`, 'utf8'));
  const script = typeof bin === 'string' ? bin : bin[binName];
  return run(process.execPath, [`${folder}/${script}`, ...args], options);
}

/** Stops with one sentence when Node is older than package.json asks for. */
export function requireNode() {
  const wanted = /(\d+)\.(\d+)/.exec(JSON.parse(readFileSync(`${ROOT}package.json`, 'utf8')).engines.node);
  const [major, minor] = process.versions.node.split('.').map(Number);
  if (major > Number(wanted[1]) || (major === Number(wanted[1]) && minor >= Number(wanted[2]))) return;
  console.error(`This is Node ${process.versions.node}; rigproof needs ${wanted[0]} or newer.`);
  process.exit(1);
}

/** Installs the dependencies when they are missing or older than the lock file. */
export function installModules() {
  const lock = `${ROOT}package-lock.json`;
  const done = `${ROOT}node_modules/.package-lock.json`;
  // npm leaves a copy of what it installed: equal entries mean that nothing is to be done.
  const packagesOf = (file) => {
    const { '': _root, ...packages } = JSON.parse(readFileSync(file, 'utf8')).packages;
    return packages;
  };
  if (existsSync(done)) {
    const installed = packagesOf(done);
    const wanted = Object.entries(packagesOf(lock));
    // Packages for other platforms are optional and stay out.
    if (wanted.every(([name, { version, optional }]) => optional || installed[name]?.version === version)) return;
  }
  console.log('Installing the dependencies (npm ci) …');
  const npm = process.env.npm_execpath ?? '';
  const args = ['ci', '--no-audit', '--no-fund'];
  const code = npm.endsWith('npm-cli.js') ? run(process.execPath, [npm, ...args]) : run('npm', args);
  if (code !== 0) {
    console.error('The dependencies could not be installed; see the message of npm above.');
    process.exit(code);
  }
}

export const CHROMIUM = '/usr/bin/chromium';

/** Whether it is there, or could be installed from Debian's packages. */
function requirePackage(name, path, what) {
  if (existsSync(path)) return true;
  const hasApt = existsSync('/usr/bin/apt-get');
  const isRoot = process.getuid?.() === 0;
  // sudo only where it asks for nothing: no password, no terminal.
  const mayInstall = hasApt && (isRoot || spawnSync('sudo', ['-n', 'true'], { stdio: 'ignore' }).status === 0);
  if (mayInstall) {
    console.log(`Installing ${name} for ${what} (apt-get install ${name}) …`);
    const env = { ...process.env, DEBIAN_FRONTEND: 'noninteractive' };
    const apt = (...args) => run(isRoot ? 'apt-get' : 'sudo', isRoot ? args : ['-n', 'apt-get', ...args], { env });
    const install = () => apt('install', '-y', '-q', '--no-install-recommends', name);
    // The package lists of a bare machine are empty or old: fetch them only when the first try fails.
    if (install() !== 0 && apt('update', '-q') === 0) install();
    if (existsSync(path)) return true;
  }
  const command = hasApt ? `sudo apt-get install ${name}` : 'your package manager';
  console.error(`There is no ${path}, which ${what} need. Install it with: ${command}`);
  return false;
}

/** Sees to it that Debian's Chromium is there for the browser tests; says what to type where it may not install it. */
export function requireChromium() {
  return requirePackage('chromium', CHROMIUM, 'the browser tests');
}

/** The same for Redis. Elsewhere than on Debian it may stand in another place: the tests look for it themselves. */
export function requireRedis() {
  const isThere = spawnSync('redis-server', ['--version'], { stdio: 'ignore' }).status === 0;
  return isThere || requirePackage('redis-server', '/usr/bin/redis-server', 'the tests of the queue');
}
