import { mkdir, readFile, stat } from 'node:fs/promises';
import { dirname, join } from 'node:path';
import { deserialize, serialize } from 'node:v8';
import { type DeliverOptions, deliverEncoded, encodeDelivery } from '../convert/deliver.ts';
import { openFile } from '../convert/node.ts';
import { type Motion, notesOf, type Output } from '../convert/output.ts';
import { createReceiver } from '../convert/receiver.ts';
import type { EncodedAnimation } from '../formats/gltf/encode-animation.ts';
import { writeWholeFile } from '../formats/node.ts';
import { inPieces } from '../formats/pieces.ts';
import { hashOf } from './fingerprint.ts';
import type { CharacterEntry, Job } from './job.ts';
import { findDone, STATE_FOLDER } from './records.ts';

/** The file of a character with all its animations, relative to the output folder. */
export function packFile(label: string): string {
  return `${label}.glb`;
}

/** Where the keys of one clip wait for the others, relative to the output folder. */
export function pieceFile(output: string): string {
  return `${STATE_FOLDER}/pieces/${output}.keys`;
}

/** The keys of one clip, proved on the character as if it were the only one. */
export function pieceOf(motion: Motion, delivering: Partial<DeliverOptions> & { name: string }): Output {
  const { receiver, conversion } = motion;
  const keys = encodeDelivery(receiver, conversion.clip, delivering);
  const { bytes, names, notes } = deliverEncoded(receiver, [keys]);
  const animation = names[0]!;
  return {
    motion,
    file: inPieces([serialize(keys)], { animation, notes }),
    played: () => ({ bytes, animation }),
    notes: notesOf(motion, notes),
  };
}

interface PackRecord {
  key: string;
  bytes: number;
}

/**
 * Puts the keys of all clips of each character into one file, in the order of the list. A character of which a clip is
 * not done yet keeps the file that it has. What could not be read is left out. Returns the files that were written.
 */
export async function writePacks(
  characters: readonly CharacterEntry[],
  jobs: readonly Job[],
  outputFolder: string,
): Promise<string[]> {
  const written: string[] = [];
  for (const character of characters) {
    const pieces: string[] = [];
    const keys: string[] = [];
    let isWhole = true;
    for (const job of jobs) {
      if (job.character !== character) continue;
      const record = await findDone(outputFolder, job.output, job.key);
      isWhole &&= record !== null;
      if (record?.status !== 'done') continue;
      pieces.push(join(outputFolder, record.outputs[0]!.file));
      keys.push(job.key);
    }
    if (!isWhole || pieces.length === 0) continue;
    const path = join(outputFolder, packFile(character.label));
    const recordPath = join(outputFolder, STATE_FOLDER, 'packs', `${character.label}.json`);
    const key = hashOf(keys);
    const known = await readPackRecord(recordPath);
    const size = (await stat(path).catch(() => null))?.size;
    if (known?.key === key && known.bytes === size) continue;
    const bytes = await packOf(character, pieces);
    await writeWholeFile(path, bytes);
    await mkdir(dirname(recordPath), { recursive: true });
    await writeWholeFile(recordPath, `${JSON.stringify({ key, bytes: bytes.length } satisfies PackRecord)}\n`);
    written.push(path, recordPath);
  }
  return written;
}

async function packOf({ path, constraints }: CharacterEntry, pieces: readonly string[]): Promise<Uint8Array> {
  const opened = await openFile(path);
  if (opened.kind !== 'character') throw new Error('A character that was one before is none any more.');
  const animations: EncodedAnimation[] = [];
  for (const piece of pieces) animations.push(deserialize(await readFile(piece)) as EncodedAnimation);
  return deliverEncoded(createReceiver(opened.character, constraints), animations).bytes;
}

async function readPackRecord(path: string): Promise<PackRecord | null> {
  try {
    return JSON.parse(await readFile(path, 'utf8')) as PackRecord;
  } catch {
    return null;
  }
}
