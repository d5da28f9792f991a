// npm test: installs what a fresh machine lacks, then linter, type check, Chromium, all tests. The last line counts.
// Arguments go to vitest: npm test -- tests/pairing
import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { installModules, requireChromium, requireNode, runTool } from './setup.mjs';

function stop(what) {
  console.error(`\n${what}`);
  console.log('0 passed, 1 failed');
  process.exit(1);
}

requireNode();
installModules();

console.log('Linter (biome) …');
if (runTool('@biomejs/biome', 'biome', ['check', '--error-on-warnings', '.']) !== 0) {
  stop('The linter found faults. Many are mended by: npm run format');
}
console.log('Type check (tsc) …');
if (runTool('typescript', 'tsc', ['--noEmit']) !== 0) stop('The type check found faults.');
if (!requireChromium()) stop('No Chromium, no tests.');

const folder = mkdtempSync(join(tmpdir(), 'rigproof-test-'));
const report = join(folder, 'report.json');
console.log('Tests (vitest) …');
const code = runTool('vitest', 'vitest', [
  'run',
  '--reporter=default',
  '--reporter=json',
  `--outputFile.json=${report}`,
  ...process.argv.slice(2),
]);

let counts;
try {
  counts = JSON.parse(readFileSync(report, 'utf8'));
} catch {
  stop('The tests ended without a report.');
} finally {
  rmSync(folder, { recursive: true, force: true });
}
const { numPassedTests, numFailedTests, numPendingTests, numFailedTestSuites } = counts;
// A file that cannot even be loaded has no test that failed, and still is a failure.
const failed = Math.max(numFailedTests, numFailedTestSuites > 0 || code !== 0 ? 1 : 0);
const skipped = numPendingTests > 0 ? `, ${numPendingTests} skipped` : '';
console.log(`\n${numPassedTests} passed, ${failed} failed${skipped}`);
process.exit(code === 0 && failed > 0 ? 1 : code);
