/**
 * Draws the exercise clip at the heights of its moves, to be looked at:
 *
 *   npx tsx tests/pictures/exercise.ts out/samples/tamsel.glb [every nth move] -> out/pictures/exercise-tamsel.glb.png
 */
import { basename } from 'node:path';
import { auditInput } from '../../src/convert/audit.ts';
import { openFile } from '../../src/convert/node.ts';
import { writeAnimatedGlb } from '../../src/formats/gltf/write-animation.ts';
import { EXERCISE_FPS, exerciseClip } from '../../src/rig/exercise-clip.ts';
import { inversePlacement, placeClip, placementOf } from '../../src/skeleton/normalise.ts';
import { closeRenderer, renderSheet } from './render.ts';

const [path, step = '2', only] = process.argv.slice(2);
const opened = await openFile(path!);
if (opened.kind !== 'character') throw new Error('a character is needed');
const { character } = opened;
const { skeleton, body, posture } = auditInput(character);
if (!posture) throw new Error(`not a humanoid: ${body.reason}`);
const { clip, heights } = exerciseClip(skeleton, body.roles, posture);
const { up, facing, metresPerUnit, floor } = body.frame;
const placement = placementOf(up, facing, metresPerUnit, floor);
const inFile = placeClip(clip, skeleton, inversePlacement(placement));
const { bytes, names } = writeAnimatedGlb(character, [inFile], { reduce: false } as object);
const shown = heights.filter(({ move }, i) => (only ? only.split(',').includes(move) : i % Number(step) === 0));
console.log(shown.map(({ frame, move }) => `${frame} ${move}`).join('; '));
await renderSheet({
  title: `${basename(path!)}: exercise`,
  target: { bytes, kind: 'gltf', animation: names[0] },
  frames: shown.map(({ frame }) => frame / EXERCISE_FPS),
  views: ['front', 'side'],
  out: `out/pictures/exercise-${basename(path!)}.png`,
});
await closeRenderer();
