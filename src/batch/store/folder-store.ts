import { mkdir, readFile, stat } from 'node:fs/promises';
import { dirname, join, resolve } from 'node:path';
import { RigproofError } from '../../errors.ts';
import { createWholeFile, writeWholeFile } from '../../formats/node.ts';
import type { Store } from './store.ts';

/** A folder as a store: on a disk that machines share, under whatever path each of them has it. */
export function openFolderStore(path: string): Store {
  const root = resolve(path);
  const fileFor = async (name: string) => {
    const file = join(root, name);
    // Where the folder cannot be made, writing the file says why.
    await mkdir(dirname(file), { recursive: true }).catch(() => {});
    return file;
  };
  return {
    address: path,
    read: (name) => unlessMissing(join(root, name), (file) => readFile(file)),
    size: async (name) => (await unlessMissing(join(root, name), (file) => stat(file)))?.size ?? null,
    write: async (name, bytes) => writeWholeFile(await fileFor(name), bytes),
    create: async (name, bytes) => createWholeFile(await fileFor(name), bytes),
  };
}

async function unlessMissing<T>(file: string, read: (file: string) => Promise<T>): Promise<T | null> {
  try {
    return await read(file);
  } catch (cause) {
    const { code } = cause as { code?: string };
    if (code === 'ENOENT') return null;
    throw new RigproofError(
      'FILE_OPEN',
      `The store cannot be read (${code}).`,
      { file },
      { hint: 'Check the path, and that you may read it.', cause },
    );
  }
}
