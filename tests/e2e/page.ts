import { readFileSync } from 'node:fs';
import type { Locator, Page } from 'playwright-core';

/** A file as a person would drop it. */
export interface DroppedFile {
  name: string;
  bytes: Uint8Array;
}

export const fileAt = (path: string): DroppedFile => ({
  name: path.split('/').at(-1)!,
  bytes: new Uint8Array(readFileSync(path)),
});

/** Drops files onto the page. */
export async function dropFiles(page: Page, files: readonly DroppedFile[]): Promise<void> {
  const packed = files.map(({ name, bytes }) => ({ name, base64: Buffer.from(bytes).toString('base64') }));
  const transfer = await page.evaluateHandle((list) => {
    const data = new DataTransfer();
    for (const { name, base64 } of list) {
      data.items.add(new File([Uint8Array.from(atob(base64), (c) => c.charCodeAt(0))], name));
    }
    return data;
  }, packed);
  await page.dispatchEvent('body', 'dragover', { dataTransfer: transfer });
  await page.dispatchEvent('body', 'drop', { dataTransfer: transfer });
}

/** Waits until the motion is on the character. */
export async function waitForMotion(page: Page): Promise<void> {
  await page.locator('.legend').waitFor({ timeout: 30_000 });
}

/** Waits until what is shown has been proved. */
export async function waitForProof(page: Page): Promise<void> {
  await page.locator('.matters button:has-text("Proof") .badge').waitFor({ timeout: 60_000 });
  await page.waitForFunction(() => document.querySelector('.state')?.textContent === '', undefined, {
    timeout: 60_000,
  });
}

export async function openMatter(page: Page, name: string): Promise<void> {
  await page.locator('.matters').getByRole('button', { name }).click();
}

/** Takes a file away and gives its bytes. */
export async function takeFile(
  page: Page,
  button: Locator,
): Promise<{ name: string; bytes: Uint8Array; path: string }> {
  const coming = page.waitForEvent('download');
  await button.click();
  const download = await coming;
  const path = await download.path();
  return { name: download.suggestedFilename(), bytes: new Uint8Array(readFileSync(path)), path };
}

/** The place of a named joint in the picture, in pixels of the page; the joint has to be the chosen one or its partner. */
export async function placeOf(page: Page, figure: 'source' | 'target'): Promise<{ x: number; y: number }> {
  const label = page.locator(`.joint-label[data-figure="${figure}"]:not([hidden])`);
  await label.waitFor();
  const at = await label.evaluate((element) => ({
    x: Number.parseFloat(element.style.left),
    y: Number.parseFloat(element.style.top),
  }));
  const box = (await page.locator('.stage').boundingBox())!;
  return { x: box.x + at.x, y: box.y + at.y };
}

/** Presses at one place and lets go at another. */
export async function drag(page: Page, from: { x: number; y: number }, to: { x: number; y: number }): Promise<void> {
  await page.mouse.move(from.x, from.y);
  await page.mouse.down();
  for (let i = 1; i <= 6; i++) {
    await page.mouse.move(from.x + ((to.x - from.x) * i) / 6, from.y + ((to.y - from.y) * i) / 6);
  }
  await page.mouse.up();
}
