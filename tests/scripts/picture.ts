/** Draws the README's picture from the sample scenario: `npx tsx tests/scripts/picture.ts`. */
import { mkdirSync } from 'node:fs';
import { makeSamples } from '../../samples/make.ts';
import {
  convert,
  createReceiver,
  deliver,
  openCharacter,
  parseBvh,
  parseContainer,
  performerFromBvh,
} from '../../src/index.ts';
import { closeRenderer, renderSheet } from '../pictures/render.ts';

const OUT = 'docs/pictures/retargeted.png';
const CLIP = 'night-round.bvh';

mkdirSync('docs/pictures', { recursive: true });
const samples = await makeSamples();
const clip = samples.get(CLIP)!;
const file = parseBvh(clip, CLIP);
const performer = performerFromBvh(CLIP, file.takes[0]!, file.notes);
const figures = [];
for (const name of ['tamsel.glb', 'bodge.glb', 'oriv.glb']) {
  const receiver = createReceiver(await openCharacter(parseContainer(samples.get(name)!, name)));
  const { bytes } = deliver(receiver, convert(performer, receiver).clip, { name: 'night-round' });
  figures.push({
    bytes,
    kind: 'gltf' as const,
    label: name.replace('.glb', ''),
    animation: 'night-round',
    overlay: false,
  });
}
await renderSheet({
  title: 'one clip, three rigs',
  source: { bytes: clip, kind: 'bvh', label: 'performer' },
  target: figures[0]!,
  others: figures.slice(1),
  frames: [1.2, 2, 3.5, 5.5, 7],
  views: ['threeQuarter'],
  cell: { width: 190, height: 210 },
  out: OUT,
});
await closeRenderer();
console.log(OUT);
