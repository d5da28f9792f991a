import { mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { validateBytes } from 'gltf-validator';
import type { Browser, BrowserContext, Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, describe, expect, it } from 'vitest';
import { makeSamples } from '../../samples/make.ts';
import type { Served } from '../../src/cli/serve.ts';
import { formatPlace, type Mapping, parseBvh, parseMapping, RigproofError } from '../../src/index.ts';
import { runProgram } from '../support/program.ts';
import { HAS_RIGS, RIGS_REASON, rigPath } from '../support/rigs.ts';
import { seriousViolations } from './axe.ts';
import { buildApp, hasChromium, launch, ROOT, serve } from './browser.ts';
import { drag, dropFiles, fileAt, openMatter, placeOf, takeFile, waitForMotion, waitForProof } from './page.ts';
import { largestDifference } from './same-file.ts';

const CLIP = join(ROOT, '../shared/data/bvh/armsdown_19_joints.bvh');
/** Metres, quaternion parts, degrees: what Float32 leaves of a number around 4. Mostly the bytes are the same. */
const FLOAT32 = 5e-7;

describe.skipIf(!hasChromium)('browser app (skipped without /usr/bin/chromium)', () => {
  let folder: string;
  let served: Served;
  let browser: Browser;
  let context: BrowserContext;
  let page: Page;
  let samples: Map<string, Uint8Array>;
  const complaints: string[] = [];
  const elsewhere: string[] = [];

  beforeAll(async () => {
    mkdirSync(join(ROOT, 'out'), { recursive: true });
    folder = mkdtempSync(join(ROOT, 'out', 'test-web-'));
    // Both are built from the same sources, so both now.
    const builds = Promise.all([buildApp(join(folder, 'web')), runProgram(['--version'], folder)]);
    [samples, browser] = await Promise.all([makeSamples(), launch()]);
    await builds;
    served = await serve(join(folder, 'web'));
    for (const [name, bytes] of samples) writeFileSync(join(folder, name), bytes);
  }, 120_000);

  afterAll(async () => {
    await browser?.close();
    await served?.close();
    if (folder) rmSync(folder, { recursive: true, force: true });
  });

  afterEach(async () => {
    await context?.close();
    expect(complaints.splice(0), 'errors of the page').toEqual([]);
    expect(elsewhere.splice(0), 'requests to other origins').toEqual([]);
  });

  async function open(colorScheme: 'light' | 'dark' = 'light'): Promise<void> {
    context = await browser.newContext({
      viewport: { width: 1280, height: 800 },
      colorScheme,
      reducedMotion: 'reduce',
    });
    page = await context.newPage();
    page.on('pageerror', (error) => complaints.push(String(error)));
    page.on('console', (message) => {
      if (message.type() === 'error') complaints.push(message.text());
    });
    page.on('request', (request) => {
      const url = request.url();
      if (!url.startsWith(served.url) && !/^(blob|data):/.test(url)) elsewhere.push(url);
    });
    await page.goto(served.url);
  }

  async function openSample(character = 'tamsel', clip = 'night-round'): Promise<void> {
    await page.getByRole('combobox', { name: 'Motion' }).selectOption(`${clip}.bvh`);
    await page.getByRole('combobox', { name: 'Character' }).selectOption(`${character}.glb`);
    await page.getByRole('button', { name: 'Play the sample' }).click();
    await waitForMotion(page);
  }

  const frameNow = async (): Promise<number> => Number(await page.locator('.now b').textContent());

  it('plays a sample, steps through it by keys and says what was measured', async () => {
    await open();
    const start = performance.now();
    await openSample();
    console.log(`sample: motion on screen after ${Math.round(performance.now() - start)} ms (software rendering)`);
    expect(await page.locator('.facts').first().textContent()).toContain('centimetre');
    await page.locator('.stage-canvas').focus();
    expect(await frameNow()).toBe(0); // reduced motion is respected: nothing plays unasked
    await page.keyboard.press('.');
    await page.keyboard.press('.');
    await page.keyboard.press(',');
    expect(await frameNow()).toBe(1);
    await page.keyboard.press('Space');
    await page.waitForFunction(() => Number(document.querySelector('.now b')?.textContent) > 20);
    await page.keyboard.press('Space');
    expect(await page.getByRole('button', { name: 'Play', exact: true }).isVisible()).toBe(true);
  });

  it.skipIf(!HAS_RIGS)(
    `dropped files give the numbers and the bytes of the command line, and pass the validator${RIGS_REASON}`,
    async () => {
      await open();
      // From the empty page to the file: drop, open the matter, take it.
      await dropFiles(page, [fileAt(CLIP), fileAt(rigPath('man_casual.glb'))]);
      await waitForMotion(page);
      await waitForProof(page);
      await openMatter(page, 'Deliver');
      const glb = await takeFile(page, page.locator('[data-form="glb"]'));
      const mapping = await takeFile(page, page.locator('[data-form="mapping"]'));

      const output = join(folder, 'cli.glb');
      const cli = await runProgram(['retarget', CLIP, rigPath('man_casual.glb'), '-o', output, '--json'], folder);
      expect(cli.stderr).toBe('');
      expect(largestDifference(readFileSync(output), glb.bytes)).toBeLessThan(FLOAT32);
      expect(glb.name).toBe('man_casual-armsdown_19_joints.glb');
      const report = await validateBytes(glb.bytes, { maxIssues: 10 });
      expect(report.issues.numErrors).toBe(0);

      const measures = JSON.parse(cli.stdout).proof.measures as { id: string; value: number | null; verdict: string }[];
      await openMatter(page, 'Proof');
      for (const { id, value, verdict } of measures) {
        if (verdict === 'not measured') continue;
        const shown = await page.locator(`.proof [data-measure="${id}"]`).getAttribute('data-value');
        // The command line prints nine digits.
        expect([id, Number(Number(shown).toPrecision(9))]).toEqual([id, value]);
      }

      // The mapping goes back to the command line and gives the same pairing.
      parseMapping(new TextDecoder().decode(mapping.bytes), mapping.name);
      const again = join(folder, 'again.glb');
      const args = ['retarget', CLIP, rigPath('man_casual.glb'), '--mapping', mapping.path, '-o', again, '--quiet'];
      expect([0, 1]).toContain((await runProgram(args, folder)).code);
      expect(largestDifference(readFileSync(again), glb.bytes)).toBeLessThan(FLOAT32);
    },
  );

  it('delivers every form as the command line writes it', async () => {
    await open();
    await openSample('bodge');
    await openMatter(page, 'Deliver');
    for (const [form, file, flags] of [
      ['animation-only', 'only.glb', ['--animation-only']],
      ['bvh', 'out.bvh', []],
      ['vrma', 'out.vrma', []],
    ] as [string, string, string[]][]) {
      const taken = await takeFile(page, page.locator(`[data-form="${form}"]`));
      const args = ['retarget', 'night-round.bvh', 'bodge.glb', '-o', file, '--quiet', ...flags];
      expect([0, 1]).toContain((await runProgram(args, folder)).code);
      expect(largestDifference(readFileSync(join(folder, file)), taken.bytes), form).toBeLessThan(FLOAT32);
    }
    const sheet = await takeFile(page, page.locator('[data-form="sheet"]'));
    expect(new TextDecoder().decode(sheet.bytes)).toContain('<!doctype html>');
  });

  it('options give what the flags of the command line give', async () => {
    await open();
    await openSample('pim');
    await openMatter(page, 'Options');
    await page.getByLabel('Exchange left and right').check();
    await page.getByLabel('From', { exact: true }).fill('1');
    await page.getByLabel('To', { exact: true }).fill('4');
    await page.getByLabel('To', { exact: true }).blur();
    await page.getByRole('combobox', { name: 'Root motion' }).selectOption('in-place');
    await page.getByRole('slider', { name: 'Smooth' }).fill('8');
    await page.waitForFunction(() => document.querySelector('.now')?.textContent?.includes('of 180'));
    await openMatter(page, 'Deliver');
    const taken = await takeFile(page, page.locator('[data-form="glb"]'));
    const flags = ['--mirror', '--from', '1', '--to', '4', '--root-motion', 'in-place', '--low-pass', '8'];
    const args = ['retarget', 'night-round.bvh', 'pim.glb', '-o', 'options.glb', '--quiet', ...flags];
    expect([0, 1]).toContain((await runProgram(args, folder)).code);
    expect(largestDifference(readFileSync(join(folder, 'options.glb')), taken.bytes)).toBeLessThan(FLOAT32);
  });

  it('a wrong pairing is mended by drawing from joint to joint, undone and done again', async () => {
    await open();
    await openSample();
    await openMatter(page, 'Pairing');
    // A mapping that mistakes the left hand for the forearm.
    const wrong: Mapping = { target: { roles: { leftLowerArm: 'Hand.L', leftHand: null } } };
    const text = JSON.stringify({ format: 'rigproof-mapping', version: 1, ...wrong });
    await page
      .getByLabel('Mapping file')
      .setInputFiles({ name: 'wrong.json', mimeType: 'application/json', buffer: Buffer.from(text) });
    await page.getByText('left lower arm is Hand.L').waitFor();
    await page.waitForFunction(() => document.querySelector('.state')?.textContent !== 'working …');

    // Where the joints are: the forearm of the character has no role now, so it is found among those without one.
    await page.getByText('Joints without a role').click();
    await page.locator('.spare').getByRole('button', { name: 'LowArm.L', exact: true }).click();
    const forearm = await placeOf(page, 'target');
    await page.getByRole('toolbar', { name: 'Left arm' }).getByRole('button', { name: 'lower arm' }).click();
    const performer = await placeOf(page, 'source');
    await drag(page, performer, forearm);
    await page.getByText('left lower arm is LowArm.L').waitFor();

    await page.getByRole('button', { name: 'Undo' }).click();
    await page.getByText('left lower arm is Hand.L').waitFor();
    await page.getByRole('button', { name: 'Redo' }).click();
    await page.getByText('left lower arm is LowArm.L').waitFor();

    await openMatter(page, 'Deliver');
    const saved = await takeFile(page, page.locator('[data-form="mapping"]'));
    const mapping = parseMapping(new TextDecoder().decode(saved.bytes), saved.name);
    expect(mapping.target?.roles?.leftLowerArm).toBe('LowArm.L');
  });

  it('a limb is aligned by dragging its end, mirrored, and the motion changes', async () => {
    await open();
    await openSample();
    await openMatter(page, 'Deliver');
    const before = await takeFile(page, page.locator('[data-form="glb"]'));
    await openMatter(page, 'Posture');
    await page.getByRole('combobox', { name: 'Joint' }).selectOption('leftHand');
    const hand = await placeOf(page, 'target');
    await drag(page, hand, { x: hand.x - 8, y: hand.y - 50 });
    const left = page.getByText(/^left lower arm: .*outward/);
    const right = page.getByText(/^right lower arm: .*outward/);
    await right.waitFor();
    const angle = /(-?[\d.]+)° outward/.exec((await left.textContent())!)![1];
    expect(Number(angle)).toBeGreaterThan(10);
    expect(await right.textContent()).toContain(`${angle}° outward`);
    await page.waitForFunction(() => document.querySelector('.state')?.textContent !== 'working …');
    // The forearm points to where it was let go: within 3 degrees, the spots being rounded to pixels' tenths.
    await page.mouse.move(4, 790); // what is under the pointer is named before what is chosen
    await page.getByRole('combobox', { name: 'Joint' }).selectOption('leftLowerArm');
    await page.waitForFunction(() => document.querySelector('.joint-label')?.textContent?.startsWith('LowArm.L'));
    const elbow = await placeOf(page, 'target');
    await page.getByRole('combobox', { name: 'Joint' }).selectOption('leftHand');
    await page.waitForFunction(() => document.querySelector('.joint-label')?.textContent?.startsWith('Hand.L'));
    const wanted = Math.atan2(hand.y - 50 - elbow.y, hand.x - 8 - elbow.x);
    // The label follows with the next frames that are drawn.
    await expect
      .poll(async () => {
        const now = await placeOf(page, 'target');
        return Math.abs(Math.atan2(now.y - elbow.y, now.x - elbow.x) - wanted) * (180 / Math.PI);
      })
      .toBeLessThan(3);
    await openMatter(page, 'Deliver');
    const after = await takeFile(page, page.locator('[data-form="glb"]'));
    expect(Buffer.compare(before.bytes, after.bytes)).not.toBe(0);
    const mapping = await takeFile(page, page.locator('[data-form="mapping"]'));
    const args = [
      'retarget',
      'night-round.bvh',
      'tamsel.glb',
      '-o',
      'aligned.glb',
      '--mapping',
      mapping.path,
      '--quiet',
    ];
    expect([0, 1]).toContain((await runProgram(args, folder)).code);
    expect(largestDifference(readFileSync(join(folder, 'aligned.glb')), after.bytes)).toBeLessThan(FLOAT32);
  });

  it('a failing measure is gone to: its frame is set and its joint named', async () => {
    await open();
    await openSample();
    await openMatter(page, 'Options');
    await page.getByLabel('Hold feet that stand').uncheck();
    await page.locator('.badge.bad:has-text("✕")').waitFor({ timeout: 60_000 });
    await openMatter(page, 'Proof');
    const place = page.locator('.failure .place').first();
    const frame = Number(/frame (\d+)/.exec((await place.textContent())!)![1]);
    await place.click();
    expect(await frameNow()).toBe(frame);
    await openMatter(page, 'Measured');
    const mark = page.locator('.fail-mark').first();
    await mark.click();
    expect(await frameNow()).toBe(Number(/frame (\d+)/.exec((await mark.getAttribute('aria-label'))!)![1]));
  });

  it('a bad file is told as on the command line, and the app goes on', async () => {
    await open();
    const bytes = new TextEncoder().encode('HIERARCHY\nROOT Hips\n{\n\tOFFSET 0 0\n}\nMOTION\n');
    let told: RigproofError | undefined;
    try {
      parseBvh(bytes, 'broken.bvh');
    } catch (error) {
      if (error instanceof RigproofError) told = error;
    }
    await dropFiles(page, [{ name: 'broken.bvh', bytes }]);
    const fault = page.locator('.fault');
    await fault.waitFor();
    const text = await fault.textContent();
    for (const part of [told!.code, told!.message, told!.hint ?? '', formatPlace(told!.place)]) {
      expect(text).toContain(part);
    }
    await page.getByRole('button', { name: 'Close this message' }).click();
    await openSample('pim');
    expect(await page.locator('.fault').count()).toBe(0);
  });

  it('a reload keeps the session: files, decisions and options', async () => {
    await open();
    await openSample('pim', 'puddle-hop');
    await openMatter(page, 'Options');
    await page.getByLabel('Hold feet that stand').uncheck();
    await page.reload();
    await waitForMotion(page);
    expect(await page.locator('.what').textContent()).toContain('puddle-hop on pim.glb');
    await openMatter(page, 'Options');
    expect(await page.getByLabel('Hold feet that stand').isChecked()).toBe(false);
    await page.getByRole('button', { name: 'Start anew' }).click();
    await page.reload();
    await page.getByRole('button', { name: 'Play the sample' }).waitFor();
  });

  it('files that the command line passes along are open, once, also after a reload', async () => {
    const passed = await serve(join(folder, 'web'), [join(folder, 'night-round.bvh'), join(folder, 'pim.glb')]);
    try {
      await open();
      await page.goto(passed.url);
      await waitForMotion(page);
      elsewhere.splice(0); // this page comes from another address than the other tests'
      await page.reload();
      await waitForMotion(page);
      await openMatter(page, 'Deliver');
      expect(await page.locator('.clips').count()).toBe(0); // one clip needs no list
      const origin = new URL(passed.url).origin;
      expect(elsewhere.splice(0).filter((url) => !url.startsWith(origin))).toEqual([]);
    } finally {
      await passed.close();
    }
  });

  it('several clips are converted one after the other and taken as one zip', async () => {
    await open();
    await dropFiles(page, [
      { name: 'night-round.bvh', bytes: samples.get('night-round.bvh')! },
      { name: 'puddle-hop.bvh', bytes: samples.get('puddle-hop.bvh')! },
      { name: 'pim.glb', bytes: samples.get('pim.glb')! },
    ]);
    await waitForMotion(page);
    await openMatter(page, 'Deliver');
    await page.getByRole('button', { name: 'Convert all' }).click();
    const zip = await takeFile(page, page.getByRole('button', { name: 'Take all as one zip' }));
    const { unzipSync } = await import('fflate');
    const entries = unzipSync(zip.bytes);
    expect(Object.keys(entries).sort()).toEqual([
      'pim-night-round.glb',
      'pim-night-round.proof.html',
      'pim-puddle-hop.glb',
      'pim-puddle-hop.proof.html',
    ]);
    expect((await validateBytes(entries['pim-puddle-hop.glb']!)).issues.numErrors).toBe(0);
  });

  it('axe-core finds no serious violation, light and dark', async () => {
    await open();
    const check = async (where: string): Promise<void> => {
      for (const colorScheme of ['light', 'dark'] as const) {
        await page.emulateMedia({ colorScheme });
        expect([where, colorScheme, await seriousViolations(page)]).toEqual([where, colorScheme, []]);
      }
    };
    await check('start');
    await openSample();
    await waitForProof(page);
    for (const matter of ['Measured', 'Pairing', 'Posture', 'Options', 'Proof', 'Rig', 'Deliver']) {
      await openMatter(page, matter);
      if (matter === 'Rig') await page.locator('.scores').waitFor({ timeout: 60_000 });
      await check(matter);
    }
  });
});
