/**
 * How a clip or character lies in a store: each of its files under the hash of its bytes, and a listing under the hash of
 * the whole, written last. So what several machines or runs bring is there once, and a listing stands for files that are
 * all there.
 */
import { createHash } from 'node:crypto';
import { mkdir, readFile } from 'node:fs/promises';
import { basename, dirname, join } from 'node:path';
import { RigproofError } from '../../errors.ts';
import { bufferFilesOf } from '../../formats/gltf/node.ts';
import { writeWholeFile } from '../../formats/node.ts';
import { STATE_FOLDER } from '../records.ts';
import { pathInside } from './path-inside.ts';
import type { Store } from './store.ts';

/** A clip or character of a job. */
export interface InputFile {
  path: string;
  /** Of all its files. */
  hash: string;
}

interface Listing {
  format: 'rigproof-input';
  version: 1;
  /** The file itself; the machine that takes it names it. */
  file: string;
  /** Buffers beside it. */
  beside: { name: string; hash: string }[];
}

const listingName = (hash: string) => `${STATE_FOLDER}/inputs/${hash}.json`;
const contentName = (hash: string) => `${STATE_FOLDER}/content/${hash}`;

/**
 * Puts an input into a store, if it is not there yet.
 * @throws RigproofError FILE_OPEN, those of the store
 */
export async function sendInput(store: Store, { path, hash }: InputFile): Promise<void> {
  if ((await store.size(listingName(hash))) !== null) return;
  const send = async (file: string): Promise<string> => {
    const bytes = await readInput(file);
    const content = hashBytes(bytes);
    if ((await store.size(contentName(content))) === null) await store.write(contentName(content), bytes);
    return content;
  };
  const listing: Listing = { format: 'rigproof-input', version: 1, file: await send(path), beside: [] };
  for (const name of bufferFilesOf(path)) {
    listing.beside.push({ name, hash: await send(join(dirname(path), name)) });
  }
  await store.write(listingName(hash), new TextEncoder().encode(`${JSON.stringify(listing)}\n`));
}

/**
 * Takes an input out of a store, into a folder, under its own name. Returns where it is, and its size.
 * @throws RigproofError STORE_INPUT, FILE_WRITE, those of the store
 */
export async function fetchInput(
  store: Store,
  { path, hash }: InputFile,
  folder: string,
): Promise<{ path: string; bytes: number }> {
  const text = await store.read(listingName(hash));
  if (text === null) throw missing(store, path);
  const { file, beside } = JSON.parse(new TextDecoder().decode(text)) as Listing;
  let total = 0;
  const fetch = async (name: string, content: string): Promise<string> => {
    const bytes = await store.read(contentName(content));
    if (bytes === null || hashBytes(bytes) !== content) throw missing(store, path);
    const target = pathInside(folder, name);
    await mkdir(dirname(target), { recursive: true });
    await writeWholeFile(target, bytes);
    total += bytes.length;
    return target;
  };
  for (const { name, hash: content } of beside) await fetch(name, content);
  return { path: await fetch(basename(path), file), bytes: total };
}

function missing(store: Store, path: string): RigproofError {
  return new RigproofError(
    'STORE_INPUT',
    `The store ${store.address} does not hold it whole.`,
    { file: basename(path) },
    { hint: 'Start the batch again: it puts there what is missing. Nothing must remove files while it runs.' },
  );
}

async function readInput(path: string): Promise<Uint8Array> {
  try {
    return await readFile(path);
  } catch (cause) {
    throw new RigproofError(
      'FILE_OPEN',
      `The file cannot be read (${(cause as { code?: string }).code}).`,
      { file: path },
      { hint: 'It was there when the batch began. Check the path, and that you may read it.', cause },
    );
  }
}

function hashBytes(bytes: Uint8Array): string {
  return createHash('sha256').update(bytes).digest('hex');
}
