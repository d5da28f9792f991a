// npm test: installs what a fresh machine lacks, then linter, type check, Chromium, Redis, all tests. The last line counts.
// Arguments go to vitest: npm test -- tests/pairing
import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { installModules, requireChromium, requireNode, requireRedis, runTool } from './setup.mjs';

/** Counts of a run of all tests, from vitest's own report; null when it ended without one. */
function runTests(args) {
  const folder = mkdtempSync(join(tmpdir(), 'rigproof-test-'));
  const report = join(folder, 'report.json');
  const reporters = ['--reporter=default', '--reporter=json', `--outputFile.json=${report}`];
  const code = runTool('vitest', 'vitest', ['run', ...reporters, ...args]);
  try {
    return { code, ...JSON.parse(readFileSync(report, 'utf8')) };
  } catch {
    return null;
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}

requireNode();
installModules();

// Every check runs, so that one look shows all that is wrong.
const faults = [];
console.log('Linter (biome) …');
if (runTool('@biomejs/biome', 'biome', ['check', '--error-on-warnings', '.']) !== 0) {
  faults.push('The linter found faults. Many are mended by: npm run format');
}
console.log('Type check (tsc) …');
if (runTool('typescript', 'tsc', ['--noEmit']) !== 0) faults.push('The type check found faults.');
if (!requireChromium()) faults.push('Chromium is missing: the browser tests cannot run.');
// Without it, the tests of the queue are skipped, and counted as such.
requireRedis();

console.log('Tests (vitest) …');
const tests = runTests(process.argv.slice(2));
if (!tests) faults.push('The tests ended without a report.');
const passed = tests?.numPassedTests ?? 0;
const skipped = tests?.numPendingTests ?? 0;
const failedTests = tests?.numFailedTests ?? 0;
// A test file that cannot even be loaded has no test that failed, and still is a failure.
if (tests && failedTests === 0 && tests.code !== 0) faults.push('vitest ended with a failure outside of the tests.');

for (const fault of faults) console.error(`\n${fault}`);
const failed = failedTests + faults.length;
console.log(`\n${passed} passed, ${failed} failed${skipped > 0 ? `, ${skipped} skipped` : ''}`);
process.exit(failed > 0 ? 1 : 0);
