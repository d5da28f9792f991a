import type { Browser, BrowserContext, Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, describe, expect, it } from 'vitest';
import { FIFTEEN_FAULTS, makeFaulty, type PlantedFault } from '../../samples/faulty.ts';
import { makeSamples } from '../../samples/make.ts';
import { auditCharacter } from '../../src/convert/audit.ts';
import { convert, sourceFigure } from '../../src/convert/convert.ts';
import { deliver } from '../../src/convert/deliver.ts';
import { openCharacter } from '../../src/convert/open-character.ts';
import { performerFromBvh } from '../../src/convert/performer.ts';
import { createReceiver } from '../../src/convert/receiver.ts';
import { rereadCharacter, rereadFigure } from '../../src/convert/reread.ts';
import { rigReport } from '../../src/convert/rig-report.ts';
import { parseBvh } from '../../src/formats/bvh/index.ts';
import { parseContainer } from '../../src/formats/gltf/container.ts';
import { mirrorRole, type Role } from '../../src/pairing/roles.ts';
import { proofSheet } from '../../src/proof/report-html.ts';
import { FINDING_RULES } from '../../src/rig/finding.ts';
import { seriousViolations } from './axe.ts';
import { hasChromium, launch } from './browser.ts';

/** What `rigproof retarget --sheet` writes. @param swapped  roles that are exchanged with those of the other side */
async function sheet(clip: Uint8Array, character: Uint8Array, swapped: readonly Role[] = []): Promise<string> {
  const take = parseBvh(clip, 'night-round.bvh');
  const performer = performerFromBvh(take.name, take.takes[0]!, take.notes);
  const rig = await openCharacter(parseContainer(character, 'hero.glb'));
  const { roles } = createReceiver(rig).actor.body;
  // All are fixed: with the swapped ones alone the whole body would be read the other way round.
  const fixed =
    swapped.length > 0 ? { ...roles, ...Object.fromEntries(swapped.map((r) => [r, roles[mirrorRole(r)]!])) } : {};
  const receiver = createReceiver(rig, { fixed });
  const { clip: moved, performer: played } = convert(performer, receiver);
  const { bytes } = deliver(receiver, moved, { name: 'walk' });
  const { character: written } = await rereadCharacter(receiver, parseContainer(bytes, 'hero.glb'));
  return proofSheet(
    rereadFigure(receiver, written, 0),
    sourceFigure(played),
    {},
    {
      target: 'hero.glb',
      source: 'night-round.bvh',
      rig: rigReport(auditCharacter(rig, { fixed }).audit),
      notes: receiver.notes,
    },
  ).html;
}

describe.skipIf(!hasChromium)('proof sheets in the browser (skipped without /usr/bin/chromium)', () => {
  let browser: Browser;
  let context: BrowserContext;
  let page: Page;
  let planted: PlantedFault[];
  const sheets: { [name: string]: string } = {};
  const complaints: string[] = [];

  beforeAll(async () => {
    const [samples, faulty] = await Promise.all([makeSamples(), makeFaulty(FIFTEEN_FAULTS)]);
    const clip = samples.get('night-round.bvh')!;
    const tamsel = samples.get('tamsel.glb')!;
    planted = faulty.planted;
    sheets.good = await sheet(clip, tamsel);
    sheets['bad rig'] = await sheet(clip, faulty.glb);
    const arms = (['Shoulder', 'UpperArm', 'LowerArm', 'Hand'] as const).flatMap((part): Role[] => [
      `left${part}`,
      `right${part}`,
    ]);
    sheets['swapped arms'] = await sheet(clip, tamsel, arms);
    sheets['swapped knees'] = await sheet(clip, tamsel, ['leftLowerLeg', 'rightLowerLeg']);
    browser = await launch();
  }, 120_000);

  afterAll(() => browser?.close());

  afterEach(async () => {
    await context?.close();
    expect(complaints.splice(0), 'errors and requests of the page').toEqual([]);
  });

  async function open(name: string, width = 1280): Promise<void> {
    context = await browser.newContext({ viewport: { width, height: 900 } });
    page = await context.newPage();
    page.on('pageerror', (error) => complaints.push(String(error)));
    page.on('console', (message) => complaints.push(message.text()));
    page.on('request', (request) => complaints.push(request.url()));
    await page.setContent(sheets[name]!);
  }

  /** Texts that lie on top of each other, among those of one kind within one chart or picture. */
  const overlaps = (): Promise<string[]> =>
    page.evaluate(() => {
      const found: string[] = [];
      for (const kind of ['.values', '.times', '.rig-picture svg'])
        for (const holder of document.querySelectorAll(kind)) {
          const words = [...holder.querySelectorAll('span, text')];
          words.forEach((word, i) => {
            const a = word.getBoundingClientRect();
            for (const other of words.slice(i + 1)) {
              const b = other.getBoundingClientRect();
              // Letters do not fill their line: a pixel or two may be shared.
              const across = Math.min(a.right, b.right) - Math.max(a.left, b.left);
              const down = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
              if (across > 0 && down > 3) found.push(`${kind}: ${word.textContent} on ${other.textContent}`);
            }
          });
        }
      return found;
    });

  it.each(['good', 'bad rig', 'swapped arms', 'swapped knees'])('shows %s on a desk and on a phone', async (name) => {
    for (const width of [1280, 390]) {
      await open(name, width);
      const verdict = page.locator('.verdict');
      expect((await verdict.boundingBox())!.y).toBeLessThan(120);
      expect(await page.locator('main').textContent()).toMatch(name === 'good' ? /^\s*✓ Holds/ : /^\s*✕ Does not hold/);
      expect(await page.evaluate(() => document.documentElement.scrollWidth)).toBe(width);
      expect(await overlaps()).toEqual([]);
      // 11 px: what browsers set as their least size for reading.
      const sizes = await page
        .locator('.chart span')
        .evaluateAll((all) => all.map((word) => Number.parseFloat(getComputedStyle(word).fontSize)));
      expect(sizes.length).toBeGreaterThan(20);
      expect(Math.min(...sizes)).toBeGreaterThanOrEqual(11);
      for (const scheme of ['light', 'dark'] as const) {
        await page.emulateMedia({ colorScheme: scheme });
        expect([name, width, scheme, await seriousViolations(page)]).toEqual([name, width, scheme, []]);
      }
      await context.close();
    }
  });

  it('finds nothing to mend in a good pair', async () => {
    await open('good');
    expect(await page.getByRole('heading', { name: 'What to mend' }).count()).toBe(0);
    expect(await page.locator('header').textContent()).toContain('The rig itself: nothing found.');
    expect(await page.locator('.torn').count()).toBe(0);
  });

  it('names every fault that was planted in the rig: joints, vertices, what to change', async () => {
    await open('bad rig');
    const items = await page.locator('.rig .finding').evaluateAll((all) => all.map((item) => item.textContent!));
    expect(planted).toHaveLength(15);
    for (const { id, joints, vertices } of planted) {
      const { title, remedy } = FINDING_RULES[id as keyof typeof FINDING_RULES];
      const text = items.find((item) => item.includes(title));
      expect(text, id).toBeDefined();
      for (const joint of joints) expect(text).toContain(joint);
      if (vertices.length > 0) {
        expect(text).toContain(`${vertices.length} vertices of faulty_body (${vertices[0]}`);
      }
      expect(text).toContain(`To mend it: ${remedy}`);
    }
  });

  it('marks each finding in the picture of the rig and draws torn skin', async () => {
    await open('bad rig');
    const numbers = await page.locator('.rig-picture .call').allTextContents();
    const marked = new Set(numbers.flatMap((text) => text.split(', ').map(Number)));
    const count = await page.locator('.rig .finding').count();
    expect([...marked].sort((a, b) => a - b)).toEqual(Array.from({ length: count }, (_, i) => i + 1));
    const picture = (await page.locator('.rig-picture svg').boundingBox())!;
    for (const dot of await page.locator('.rig-picture .dot').all()) {
      const { x, y } = (await dot.boundingBox())!;
      expect(x > picture.x && x < picture.x + picture.width && y > picture.y && y < picture.y + picture.height).toBe(
        true,
      );
    }
    expect(await page.locator('.moment.fails .torn').count()).toBeGreaterThan(0);
  });

  it('leads what the skin shows back to the fault in the rig', async () => {
    await open('bad rig');
    const stretch = page.locator('.finding', { hasText: 'Skin stretch' }).first();
    const cause = (joint: string) => stretch.locator('li', { hasText: joint }).textContent();
    expect(await cause('Hips')).toContain(`Cause in the rig, 1: ${FINDING_RULES['no-weight'].title}`);
    expect(await cause('LowLeg.L')).toContain(FINDING_RULES['control-weight'].title);
    expect(await cause('LowLeg.R')).toContain(FINDING_RULES['limb-chain'].title);
    const root = await page.locator('.finding', { hasText: 'Root smoothness' }).textContent();
    expect(root).toContain('no joint was paired with rightFoot');
  });

  it.each([
    ['swapped arms', 'leftUpperArm (UpArm.R): lies on the other side', 'rightUpperArm (UpArm.L)'],
    ['swapped knees', 'leftLowerLeg (LowLeg.R): hangs from UpLeg.R', 'rightLowerLeg (LowLeg.L)'],
  ])('names %s before what follows from them', async (name, first, second) => {
    await open(name);
    const findings = await page.locator('section', { hasText: 'What to mend' }).locator('.finding').allTextContents();
    expect(findings[0]).toMatch(/^✕ Sides/);
    expect(findings[0]).toContain(first);
    expect(findings[0]).toContain(second);
    expect(findings[0]).toContain('pair the limbs named here with the joints of their own side');
    expect(findings.length).toBeGreaterThan(1);
    // The rig is sound: nothing may be blamed on it.
    for (const later of findings.slice(1)) expect(later).not.toContain('Cause in the rig');
    for (const later of findings.slice(1)) expect(later).toContain('This may follow from what fails above (sides)');
  });

  it('marks a place within each picture of a failing moment', async () => {
    for (const name of ['bad rig', 'swapped arms', 'swapped knees']) {
      await open(name);
      const views = await page.locator('.moment.fails svg').all();
      expect(views.length).toBeGreaterThanOrEqual(4);
      for (const view of views) {
        const frame = (await view.boundingBox())!;
        const { x, y, width, height } = (await view.locator('.mark').boundingBox())!;
        const [middleX, middleY] = [x + width / 2, y + height / 2];
        expect(middleX > frame.x && middleX < frame.x + frame.width).toBe(true);
        expect(middleY > frame.y && middleY < frame.y + frame.height).toBe(true);
      }
      await context.close();
    }
  });
});
