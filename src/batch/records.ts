import { mkdir, readdir, readFile, rm, stat } from 'node:fs/promises';
import { dirname, join } from 'node:path';
import { writeWholeFile } from '../formats/node.ts';
import type { JobRecord } from './job.ts';

/** Where the manifest of a batch stands in its output folder. */
export const STATE_FOLDER = '.rigproof';

/**
 * The manifest: one small file a job, written after its outputs, named after them. Several processes and machines may
 * fill one folder without a lock, and what is cut off leaves either everything or nothing of a job.
 *
 * Tried: one journal for all jobs. It needs one writer, so shards and queue workers would each need their own and a merge;
 * reading 69 small files takes 8 ms, so there is nothing to gain.
 */
export function recordPath(outputFolder: string, output: string): string {
  return join(outputFolder, recordName(output));
}

/** The same relative to the output folder, with slashes. */
export function recordName(output: string): string {
  return `${STATE_FOLDER}/jobs/${output}.json`;
}

export async function writeRecord(outputFolder: string, output: string, record: JobRecord): Promise<void> {
  const path = recordPath(outputFolder, output);
  await mkdir(dirname(path), { recursive: true });
  await writeWholeFile(path, `${JSON.stringify(record, roundNumber)}\n`);
}

/** The record of an output as it stands, or null: not there, not whole, or of another version. */
export async function readRecord(outputFolder: string, output: string): Promise<JobRecord | null> {
  const text = await readFile(recordPath(outputFolder, output), 'utf8').catch(() => null);
  return text === null ? null : parseRecord(text);
}

export function parseRecord(text: string): JobRecord | null {
  try {
    const record = JSON.parse(text) as JobRecord;
    return record.format === 'rigproof-job' && record.version === 1 ? record : null;
  } catch {
    return null;
  }
}

/** The record of a job that needs not be done again: the same key, and its outputs are still there in full. */
export async function findDone(outputFolder: string, output: string, key: string): Promise<JobRecord | null> {
  const record = await readRecord(outputFolder, output);
  if (record === null || record.key !== key) return null;
  const sizeOf = async (file: string) => (await stat(join(outputFolder, file)).catch(() => null))?.size ?? null;
  return (await isWhole(record, sizeOf)) ? record : null;
}

/** What a record speaks of, relative to the output folder. The size of a proof sheet is not known. */
export function filesOf(record: JobRecord): { file: string; bytes: number | null }[] {
  if (record.status === 'unreadable') return [];
  return [...record.outputs, ...(record.sheet === null ? [] : [{ file: record.sheet, bytes: null }])];
}

/** Whether all that a record speaks of is there in full. */
export async function isWhole(record: JobRecord, sizeOf: (file: string) => Promise<number | null>): Promise<boolean> {
  for (const { file, bytes } of filesOf(record)) {
    const size = await sizeOf(file);
    if (size === null || (bytes !== null && size !== bytes)) return false;
  }
  return true;
}

/** Unfinished files of a run that was cut off; those of a run that is at work are younger. */
const LEFTOVER_AGE = 10 * 60; // s. No file takes that long to write.

/** Removes what a killed run left behind. Nothing of it is part of any result. */
export async function removeLeftovers(outputFolder: string): Promise<void> {
  const names = await readdir(outputFolder, { recursive: true }).catch(() => []);
  for (const name of names) {
    if (!name.endsWith('.rigproof-part')) continue;
    const path = join(outputFolder, name);
    const info = await stat(path).catch(() => null);
    if (info && Date.now() - info.mtimeMs > LEFTOVER_AGE * 1000) await rm(path, { force: true });
  }
}

/** Numbers carry nine significant digits, as in all JSON that rigproof writes: more is noise that differs between machines. */
export function roundNumber(_key: string, value: unknown): unknown {
  return typeof value === 'number' && Number.isFinite(value) ? Number(value.toPrecision(9)) : value;
}
