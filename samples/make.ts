/** Writes the sample scenario: `npx tsx samples/make.ts [folder]`, default out/samples. */
import { mkdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { NodeIO } from '@gltf-transform/core';
import { CHARACTERS } from './characters.ts';
import { CLIPS } from './clips.ts';
import { toBvh } from './performer.ts';
import { toDocument } from './rig.ts';

/** File name → bytes. The same on every run: nothing is drawn by chance and no date is written. */
export async function makeSamples(): Promise<Map<string, Uint8Array>> {
  const files = new Map<string, Uint8Array>();
  const io = new NodeIO();
  for (const [name, build] of Object.entries(CHARACTERS)) {
    files.set(`${name}.glb`, await io.writeBinary(toDocument(build())));
  }
  for (const [name, build] of Object.entries(CLIPS)) {
    const clip = build();
    files.set(`${name}.bvh`, new TextEncoder().encode(toBvh(clip.frames, clip.fps)));
    files.set(`${name}.contacts.json`, new TextEncoder().encode(`${JSON.stringify(clip.contacts, null, 2)}\n`));
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
