/**
 * Scores pairing against the role tables of the shared rigs and clips, with names and without, prints what is wrong and
 * ends with 1 when a bound is missed.
 *
 *   npx tsx tests/scripts/truth.ts [--erase-names] [--explain]
 */
import { performance } from 'node:perf_hooks';
import {
  eraseNames,
  hasTruth,
  loadSubject,
  loadTruth,
  NO_TRUTH,
  percent,
  type Score,
  scoreSubject,
  summarize,
} from '../support/truth.ts';

const only = process.argv.includes('--erase-names') ? (['erased'] as const) : (['named', 'erased'] as const);
const explain = process.argv.includes('--explain');

if (!hasTruth) {
  console.error(`Nothing to score: ${NO_TRUTH}.`);
  process.exit(3);
}
const subjects = await Promise.all(loadTruth().map(loadSubject));
let isMet = true;
for (const kind of only) {
  console.log(kind === 'named' ? '\nWith names' : '\nWithout names and tables');
  const scores: Score[] = [];
  for (const subject of subjects) {
    const input = kind === 'named' ? subject.input : eraseNames(subject.input);
    const start = performance.now();
    const score = scoreSubject(subject, input);
    const ms = performance.now() - start;
    scores.push(score);
    const row = [
      score.file.padEnd(28),
      `required ${score.requiredRight}/${score.requiredCount}`.padEnd(16),
      `roles ${score.rolesRight}/${score.rolesCount}`.padEnd(13),
      `swaps ${score.swaps}`.padEnd(9),
      `humanoid ${score.humanoidRight ? 'right' : 'WRONG'}`.padEnd(15),
      `frame ${score.frameRight}/${score.frameCount}`.padEnd(11),
      `${ms.toFixed(0)} ms`.padStart(7),
      score.saysUnsure ? ' unsure' : '',
    ];
    console.log(row.join(' '));
    for (const fault of score.faults) console.log(`    ${fault}`);
    if (explain) explainScore(score);
  }
  const summary = summarize(scores, kind);
  console.log(
    `required ${percent(summary.required)}, all roles ${percent(summary.roles)}, swaps ${summary.swaps}, wrong verdicts ${summary.verdicts}, frame facts ${percent(summary.frame)}`,
  );
  for (const miss of summary.misses) console.log(`  MISSED: ${miss}`);
  if (summary.misses.length > 0) isMet = false;
}
process.exit(isMet ? 0 : 1);

function explainScore({ body, motion }: Score): void {
  console.log(`    ${body.reason}`);
  for (const [name, text] of Object.entries(body.frame.evidence)) console.log(`      ${name}: ${text}`);
  for (const [name, text] of Object.entries(motion?.evidence ?? {})) console.log(`      motion ${name}: ${text}`);
  for (const { role, confidence, evidence } of Object.values(body.readings)) {
    console.log(`      ${role.padEnd(20)} ${confidence.toFixed(2)} ${evidence.join('; ')}`);
  }
  for (const note of [...body.notes, ...(motion?.notes ?? [])]) console.log(`      ${note.code} ${note.message}`);
}
