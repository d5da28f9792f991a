/** How results lie in a store: as in an output folder, the record of a job after what it speaks of. */
import { mkdir, readFile } from 'node:fs/promises';
import { dirname, join } from 'node:path';
import { writeWholeFile } from '../../formats/node.ts';
import type { Job, JobRecord } from '../job.ts';
import { filesOf, isWhole, parseRecord, recordName } from '../records.ts';
import { pathInside } from './path-inside.ts';
import type { Store } from './store.ts';

/** The record of a job that is done, by whoever: its key is the same, and what it speaks of is there in full. */
export async function findResult(store: Store, { output, key }: Job): Promise<JobRecord | null> {
  const found = await readStored(store, output);
  return found?.record.key === key && (await isWhole(found.record, store.size)) ? found.record : null;
}

/** Puts what a job has left in a folder into a store. */
export async function leaveResult(store: Store, { output }: Job, record: JobRecord, folder: string): Promise<void> {
  for (const { file } of filesOf(record)) await store.write(file, await readFile(join(folder, file)));
  // As it stands: the record that was handed over lacks the picture.
  await store.write(recordName(output), await readFile(join(folder, recordName(output))));
}

/** Takes the result of a job out of a store into the output folder, whole or not at all; null when it is not there. */
export async function collectResult(
  store: Store,
  { output, key }: Job,
  outputFolder: string,
): Promise<JobRecord | null> {
  const found = await readStored(store, output);
  if (found?.record.key !== key) return null;
  const write = async (name: string, bytes: Uint8Array) => {
    const path = pathInside(outputFolder, name);
    await mkdir(dirname(path), { recursive: true });
    await writeWholeFile(path, bytes);
  };
  for (const { file, bytes } of filesOf(found.record)) {
    const content = await store.read(file);
    if (content === null || (bytes !== null && content.length !== bytes)) return null;
    await write(file, content);
  }
  await write(recordName(output), found.bytes);
  return found.record;
}

async function readStored(store: Store, output: string): Promise<{ bytes: Uint8Array; record: JobRecord } | null> {
  const bytes = await store.read(recordName(output));
  const record = bytes && parseRecord(new TextDecoder().decode(bytes));
  return record && { bytes: bytes!, record };
}
