import { createHash } from 'node:crypto';
import { open } from 'node:fs/promises';
import { dirname, join } from 'node:path';
import { RigproofError } from '../errors.ts';
import { bufferFilesOf } from '../formats/gltf/node.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';

/** What names a skeleton: two clips with the same fingerprint have the same joints, tree and offsets. */
export interface Fingerprint {
  /** Joints, tree and offsets. */
  id: string;
  /** Joints and tree alone: the same for performers of other proportions. */
  family: string;
}

/** Enough for the hierarchy of any skeleton. */
const MOST_HEADER_BYTES = 4 * 1024 * 1024;
const ID_LENGTH = 8;

/**
 * Bytes that are read at a time, all into the same place. A stream of 1 MB pieces leaves each of them behind: in one of five
 * batches of 58 MB whose maps were looked at the C library kept 40 MB for the main thread to the end, and 7 to 11 MB in the others.
 */
const CHUNK_BYTES = 128 * 1024;

export interface FileDigest {
  /** SHA-256, hexadecimal: of the bytes, or where external buffers belong to it, of the hashes of all. */
  hash: string;
  bytes: number;
  /** The hierarchy of a BVH file; null for every other file. */
  bvhHeader: string | null;
}

/**
 * Hashes what a clip or character consists of: its file, and the external buffers of a glTF file. The hierarchy of a BVH
 * is caught on the way, so that the file is read once.
 * @throws RigproofError FILE_OPEN
 */
export async function digestFile(path: string): Promise<FileDigest> {
  const digest = await digestBytes(path);
  if (digest.bvhHeader !== null) return digest;
  const buffers: string[] = [];
  for (const name of bufferFilesOf(path)) buffers.push(name, (await digestBytes(join(dirname(path), name))).hash);
  return buffers.length === 0 ? digest : { ...digest, hash: hashOf([digest.hash, ...buffers]) };
}

async function digestBytes(path: string): Promise<FileDigest> {
  const hash = createHash('sha256');
  let bytes = 0;
  let header = '';
  let isOpen = true;
  try {
    const file = await open(path);
    try {
      const chunk = Buffer.allocUnsafeSlow(CHUNK_BYTES);
      for (;;) {
        const { bytesRead } = await file.read(chunk, 0, CHUNK_BYTES);
        if (bytesRead === 0) break;
        const part = chunk.subarray(0, bytesRead);
        hash.update(part);
        bytes += bytesRead;
        if (!isOpen) continue;
        header += part.toString('latin1');
        const end = header.search(/\bMOTION\b/i);
        if (end >= 0) header = header.slice(0, end);
        isOpen = end < 0 && header.length < MOST_HEADER_BYTES;
      }
    } finally {
      await file.close();
    }
  } catch (cause) {
    const reason = (cause as { code?: string }).code ?? 'unknown reason';
    throw new RigproofError(
      'FILE_OPEN',
      `The file cannot be read (${reason}).`,
      { file: path },
      { hint: 'Check the path, and that you may read it.', cause },
    );
  }
  const isBvh = /^\s*(\u00EF\u00BB\u00BF)?\s*HIERARCHY\b/i.test(header);
  return { hash: hash.digest('hex'), bytes, bvhHeader: isBvh && !isOpen ? header : null };
}

/**
 * Fingerprint of the text of a BVH hierarchy. Layout, the spelling of numbers and channels do not count: they say nothing
 * about the skeleton.
 */
export function fingerprintBvh(header: string): Fingerprint {
  const tokens = header.replaceAll(/^.*\bCHANNELS\b.*$/gim, '').split(/\s+/);
  const tree: string[] = [];
  const all: string[] = [];
  for (const token of tokens) {
    if (token === '') continue;
    const number = Number(token);
    if (Number.isNaN(number)) tree.push(token);
    all.push(Number.isNaN(number) ? token : String(number));
  }
  return { id: digest(all), family: digest(tree) };
}

/** Fingerprint of a skeleton in memory. It differs from that of a BVH text: the two kinds of file are not mixed. */
export function fingerprintSkeleton(skeleton: Skeleton): Fingerprint {
  const tree = [...skeleton.names, ...skeleton.parents].map(String);
  // Six digits: a second export of the same rig differs in the last ones.
  const offsets = [...skeleton.restTranslations, ...skeleton.restRotations].map((x) =>
    String(Number(x.toPrecision(6))),
  );
  return { id: digest([...tree, ...offsets]), family: digest(tree) };
}

/** A short name for a list of words. */
function digest(words: readonly string[]): string {
  return createHash('sha256').update(words.join('\n')).digest('hex').slice(0, ID_LENGTH);
}

/** SHA-256 of a value as JSON, hexadecimal; members count in the order in which they stand. */
export function hashOf(value: object): string {
  return createHash('sha256').update(JSON.stringify(value)).digest('hex');
}
