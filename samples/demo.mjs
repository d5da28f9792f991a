// npm run demo: from a fresh clone to a clip on a character, its proof, and where to look. Nothing else has to be typed.
import { existsSync, mkdirSync } from 'node:fs';
import { relative } from 'node:path';
import { installModules, ROOT, requireNode, run, runTool } from '../tests/scripts/setup.mjs';

const OUT = `${ROOT}out/demo`;

function step(what, code) {
  if (code === 0) return;
  console.error(`\nThe demo stopped: ${what} did not succeed.`);
  process.exit(1);
}

requireNode();
installModules();

console.log('Building …');
step('the build', runTool('typescript', 'tsc', ['-p', 'tsconfig.build.json']));

console.log('Making the samples …');
mkdirSync(OUT, { recursive: true });
step('making the samples', run(process.execPath, ['--import', 'tsx', 'samples/make.ts', `${OUT}/samples`]));

const clip = `${OUT}/samples/walk.bvh`;
const character = `${OUT}/samples/hero.glb`;
const animated = `${OUT}/hero-walk.glb`;
console.log(
  `\nrigproof retarget ${relative(ROOT, clip)} ${relative(ROOT, character)} -o ${relative(ROOT, animated)}\n`,
);
const code = run(process.execPath, ['dist/cli/main.js', 'retarget', clip, character, '-o', animated]);
// 1 means: done, and the proof found something. That is an answer, not a failure of the demo.
if (code !== 0 && code !== 1) step('the retarget', code);
if (!existsSync(animated)) step('writing the character', 1);

console.log(`\nThe walking character: ${relative(ROOT, animated)}`);
