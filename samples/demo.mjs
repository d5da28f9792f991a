// npm run demo: from a fresh clone to a clip on a character, its proof, and where to look. Nothing else has to be typed.
import { existsSync, mkdirSync } from 'node:fs';
import { installModules, ROOT, requireNode, run, runTool } from '../tests/scripts/setup.mjs';

// As seen from the project folder, where every command runs.
const OUT = 'out/demo';
const SAMPLES = `${OUT}/samples`;
const CLIP = `${SAMPLES}/night-round.bvh`;
const CHARACTER = `${SAMPLES}/tamsel.glb`;
const ANIMATED = `${OUT}/tamsel-night-round.glb`;
const SHEET = `${OUT}/proof.html`;

function step(what, code) {
  if (code === 0) return;
  console.error(`\nThe demo stopped: ${what} did not succeed.`);
  process.exit(1);
}

requireNode();
installModules();

console.log('Building …');
step('the build', runTool('typescript', 'tsc', ['-p', 'tsconfig.build.json']));
const program = ['build', '--config', 'vite.program.config.ts', '--logLevel', 'error'];
step('the build of the command line', runTool('vite', 'vite', program));
step('the build of the browser app', runTool('vite', 'vite', ['build', '--logLevel', 'error']));

console.log('Making the samples …');
mkdirSync(`${ROOT}${OUT}`, { recursive: true });
step('making the samples', run(process.execPath, ['--import', 'tsx', 'samples/make.ts', SAMPLES]));

console.log(`\nrigproof retarget ${CLIP} ${CHARACTER} -o ${ANIMATED} --sheet ${SHEET}\n`);
const args = ['retarget', CLIP, CHARACTER, '-o', ANIMATED, '--sheet', SHEET];
const code = run(process.execPath, ['dist/cli/main.js', ...args]);
// 1 means: done, and the proof found something. That is an answer, not a failure of the demo.
if (code !== 1) step('the retarget', code);
step('writing the character', existsSync(`${ROOT}${ANIMATED}`) ? 0 : 1);

console.log(`
The character with the motion      ${ANIMATED}
Its proof, for a browser           ${SHEET}
More characters and another clip   ${SAMPLES}

With your own files: node dist/cli/main.js retarget CLIP.bvh CHARACTER.glb
The same in the browser: node dist/cli/main.js open CLIP.bvh CHARACTER.glb`);

// With someone at the terminal the demo stays and shows the app; a build server gets its prompt back.
if (process.stdout.isTTY) run(process.execPath, ['dist/cli/main.js', 'open', '--no-browser', CLIP, CHARACTER]);
