/**
 * Figures of the browser app: `npx tsx tests/scripts/web-figures.ts`. How long a changed option takes to show on a clip of
 * 10 seconds at 120 Hz, and the time a frame takes in 10 seconds of playback of the heaviest sample rig. Needs the built app.
 */
import { join } from 'node:path';
import { makeSamples } from '../../samples/make.ts';
import { createClip, parseBvh, writeBvh } from '../../src/index.ts';
import { launch, ROOT, serve } from '../e2e/browser.ts';
import { dropFiles, fileAt, openMatter, waitForMotion, waitForProof } from '../e2e/page.ts';

const FRAMES = 1200;
const CHANGES = 25;
const [characterPath] = process.argv.slice(2);

const samples = await makeSamples();
const take = parseBvh(samples.get('puddle-hop.bvh')!, 'puddle-hop.bvh').takes[0]!;
const { skeleton, clip } = take;
const long = createClip('long', FRAMES, clip.frameDuration, clip.jointCount, clip.translationJoints);
for (let f = 0; f < FRAMES; f++) {
  // There and back again, so that nothing jumps.
  const turn = f % (2 * clip.frameCount - 2);
  const from = turn < clip.frameCount ? turn : 2 * clip.frameCount - 2 - turn;
  const row = clip.jointCount * 4;
  const moving = clip.translationJoints.length * 3;
  long.rotations.set(clip.rotations.subarray(from * row, (from + 1) * row), f * row);
  long.translations.set(clip.translations.subarray(from * moving, (from + 1) * moving), f * moving);
}
const bytes = new TextEncoder().encode(writeBvh(skeleton, long, { channels: take.channels }));
const character = characterPath ? fileAt(characterPath) : { name: 'tamsel.glb', bytes: samples.get('tamsel.glb')! };

const browser = await launch();
const served = await serve(join(ROOT, 'dist/web'));
const page = await browser.newPage({ viewport: { width: 1280, height: 800 }, reducedMotion: 'reduce' });
await page.goto(served.url);
await dropFiles(page, [{ name: 'long.bvh', bytes }, character]);
await waitForMotion(page);
await waitForProof(page);

await openMatter(page, 'Options');
const turns: number[] = [];
for (let i = 0; i < CHANGES; i++) {
  const before = await page.locator('.options').getAttribute('data-turns');
  await page.getByRole('slider', { name: 'Right arm' }).fill(String((i % 20) / 20));
  await page.waitForFunction((old) => document.querySelector('.options')?.getAttribute('data-turns') !== old, before);
  turns.push(Number(await page.locator('.options').getAttribute('data-turn')));
}
console.log(
  `option → new motion, ${FRAMES} frames at ${(1 / clip.frameDuration).toFixed(0)} Hz on ${character.name}: ${summary(turns)}`,
);

await page.getByRole('button', { name: 'Play', exact: true }).click();
const frames = await page.evaluate(async () => {
  const times: number[] = [];
  let last = performance.now();
  const end = last + 10_000;
  while (last < end) {
    await new Promise(requestAnimationFrame);
    const now = performance.now();
    times.push(now - last);
    last = now;
  }
  return times;
});
console.log(`a frame of playback, 10 s of ${character.name}, software rendering: ${summary(frames)}`);
await browser.close();
await served.close();

function summary(times: readonly number[]): string {
  const sorted = [...times].sort((a, b) => a - b);
  const at = (share: number): string =>
    sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))]!.toFixed(1);
  return `median ${at(0.5)} ms, 95 of 100 below ${at(0.95)} ms, least ${at(0)} ms (${times.length})`;
}
