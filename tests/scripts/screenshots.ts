/**
 * Pictures of the browser app for the documentation, made on the sample scenario: `npx tsx tests/scripts/screenshots.ts`.
 * Needs the built app (`npm run build:web`) and /usr/bin/chromium.
 */
import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { FIFTEEN_FAULTS, makeFaulty } from '../../samples/faulty.ts';
import { makeSamples } from '../../samples/make.ts';
import { launch, ROOT, serve } from '../e2e/browser.ts';
import { drag, dropFiles, openMatter, placeOf, waitForMotion, waitForProof } from '../e2e/page.ts';

const OUT = join(ROOT, 'docs/pictures');
const SIZE = { width: 1180, height: 740 };

const samples = await makeSamples();
const { glb: faulty } = await makeFaulty(FIFTEEN_FAULTS);
const browser = await launch();
const served = await serve(join(ROOT, 'dist/web'));
mkdirSync(OUT, { recursive: true });

for (const scheme of ['light', 'dark'] as const) {
  const page = await browser.newPage({ viewport: SIZE, colorScheme: scheme, reducedMotion: 'reduce' });
  const shoot = async (name: string): Promise<void> => {
    await page.mouse.move(4, SIZE.height - 4);
    await page.waitForTimeout(400);
    await page.screenshot({ path: join(OUT, `app-${name}-${scheme}.png`) });
  };
  await page.goto(served.url);
  await page.getByRole('button', { name: 'Play the sample' }).waitFor();
  await shoot('start');
  await page.getByRole('button', { name: 'Play the sample' }).click();
  await waitForMotion(page);
  await waitForProof(page);
  await page.getByRole('slider', { name: 'Frame' }).fill('400');
  await page.getByRole('button', { name: 'Trails' }).click();
  await shoot('playing');
  await page.getByRole('button', { name: 'Trails' }).click();

  await openMatter(page, 'Pairing');
  await page.getByRole('toolbar', { name: 'Left arm' }).getByRole('button', { name: 'lower arm' }).click();
  await shoot('pairing');

  await openMatter(page, 'Posture');
  await page.getByRole('combobox', { name: 'Joint' }).selectOption('leftHand');
  const hand = await placeOf(page, 'target');
  await drag(page, hand, { x: hand.x - 8, y: hand.y - 34 });
  await page.waitForTimeout(600);
  await shoot('aligning');
  await page.getByRole('button', { name: 'Leave all as measured' }).click();

  await openMatter(page, 'Options');
  await page.getByLabel('Hold feet that stand').uncheck();
  await page.waitForTimeout(1000);
  await waitForProof(page);
  await openMatter(page, 'Proof');
  await page.locator('.failure .place').first().click();
  await page.waitForTimeout(500);
  await shoot('failed-proof');
  await page.getByRole('button', { name: 'Start anew' }).click();

  await page.getByRole('button', { name: 'Play the sample' }).waitFor();
  await dropFiles(page, [
    { name: 'night-round.bvh', bytes: samples.get('night-round.bvh')! },
    { name: 'faulty.glb', bytes: faulty },
  ]);
  await waitForMotion(page);
  await openMatter(page, 'Rig');
  await page.locator('.scores').waitFor({ timeout: 60_000 });
  await page.locator('.failure .place').first().click();
  await page.waitForTimeout(500);
  await shoot('audit');
  await page.close();
}
await browser.close();
await served.close();
