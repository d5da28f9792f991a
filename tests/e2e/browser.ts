import { existsSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { type Browser, chromium } from 'playwright-core';
import { build } from 'vite';
import { type Served, serveApp } from '../../src/cli/serve.ts';

export const ROOT = fileURLToPath(new URL('../..', import.meta.url));
export const CHROMIUM = '/usr/bin/chromium';
export const hasChromium = existsSync(CHROMIUM);

/** Debian's Chromium without a graphics card: WebGL is drawn by software. */
export function launch(): Promise<Browser> {
  return chromium.launch({
    executablePath: CHROMIUM,
    args: [
      '--no-sandbox',
      '--disable-gpu',
      '--disable-background-networking',
      '--disable-component-update',
      '--disable-sync',
      '--use-angle=swiftshader',
      '--enable-unsafe-swiftshader',
    ],
  });
}

/** Builds the app into a folder of its own. */
export async function buildApp(folder: string): Promise<void> {
  await build({
    root: `${ROOT}web`,
    configFile: `${ROOT}vite.config.ts`,
    logLevel: 'silent',
    build: { outDir: folder, emptyOutDir: true },
  });
}

/** Serves the app, as `rigproof open` does. */
export function serve(folder: string, files: readonly string[] = []): Promise<Served> {
  return serveApp({ folder, files: files.map((path) => ({ name: path.split('/').at(-1)!, path })) });
}
