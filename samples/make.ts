/** Writes the sample scenario: `npx tsx samples/make.ts [folder]`, default out/samples. */
import { mkdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { NodeIO } from '@gltf-transform/core';
import { CHARACTERS } from './characters.ts';
import { toDocument } from './rig.ts';

/** File name → bytes. The same on every run: nothing is drawn by chance and no date is written. */
export async function makeSamples(): Promise<Map<string, Uint8Array>> {
  const files = new Map<string, Uint8Array>();
  const io = new NodeIO();
  for (const [name, build] of Object.entries(CHARACTERS)) {
    files.set(`${name}.glb`, await io.writeBinary(toDocument(build())));
  }
  return files;
}

if (process.argv[1] === fileURLToPath(import.meta.url)) {
  const folder = process.argv[2] ?? 'out/samples';
  mkdirSync(folder, { recursive: true });
  for (const [name, bytes] of await makeSamples()) {
    writeFileSync(join(folder, name), bytes);
    console.log(`${join(folder, name)}  ${(bytes.length / 1024).toFixed(0)} kB`);
  }
}
