import { randomBytes } from 'node:crypto';
import { link, open, readFile, rename, rm, stat, writeFile } from 'node:fs/promises';
import { dirname, join } from 'node:path';
import { RigproofError } from '../errors.ts';
import { type FileKind, fileKind, KIND_BYTES } from './file-kind.ts';
import { joinPieces, totalLength } from './pieces.ts';

/**
 * Tells the kind of a file on disk by how it begins.
 * @throws RigproofError FILE_OPEN, FILE_EMPTY, FILE_KIND
 */
export async function fileKindOf(path: string): Promise<FileKind> {
  const bytes = new Uint8Array(KIND_BYTES);
  const count = await reading(path, async () => {
    const handle = await open(path);
    try {
      return (await handle.read(bytes, 0, KIND_BYTES, 0)).bytesRead;
    } finally {
      await handle.close();
    }
  });
  return fileKind(bytes.subarray(0, count), path);
}

/**
 * Reads a whole text file.
 * @throws RigproofError FILE_OPEN, FILE_ENCODING when it is not UTF-8
 */
export async function readTextFile(path: string): Promise<string> {
  const bytes = await reading(path, () => readFile(path));
  try {
    return new TextDecoder('utf-8', { fatal: true }).decode(bytes);
  } catch (cause) {
    throw new RigproofError(
      'FILE_ENCODING',
      'The file is not UTF-8 text.',
      { file: path },
      { hint: 'Save it as UTF-8.', cause },
    );
  }
}

/**
 * Writes a file whole or not at all: under another name in the same folder first, then renamed. What stood there before
 * is replaced.
 * @param content  text, bytes, or pieces of bytes to be laid one behind the other
 * @throws RigproofError FILE_WRITE
 */
export async function writeWholeFile(path: string, content: FileContent): Promise<void> {
  await putWhole(path, content, (temporary) => rename(temporary, path));
}

/**
 * The same, but a file that is there already stays as it is: of several that make it at the same time, on whatever machines,
 * one does.
 * @throws RigproofError FILE_WRITE
 */
export async function createWholeFile(path: string, content: string | Uint8Array): Promise<void> {
  await putWhole(path, content, async (temporary) => {
    try {
      await link(temporary, path);
    } catch (cause) {
      if (codeOf(cause) === 'EEXIST') return;
      if (!NO_LINKS.has(codeOf(cause))) throw cause;
      // There it may be seen before it is whole, but it is still only made once.
      await writeFile(path, content, { flag: 'wx', flush: true }).catch((fault) => {
        if (codeOf(fault) !== 'EEXIST') throw fault;
      });
    } finally {
      await rm(temporary, { force: true });
    }
  });
}

export type FileContent = string | Uint8Array | readonly Uint8Array[];

/** What disks answer that know no hard links. */
const NO_LINKS = new Set(['EPERM', 'ENOTSUP', 'EOPNOTSUPP', 'ENOSYS', 'EXDEV']);

function codeOf(cause: unknown): string {
  return (cause as { code?: string }).code ?? '';
}

/**
 * Writes files that belong together, whole or not at all: each under another name first, and renamed in their order when
 * all of them are on the disk. Of a fault while they are renamed no new file is left; what stood there before may be
 * replaced in part.
 * @throws RigproofError FILE_WRITE
 */
export async function writeWholeFiles(files: readonly { path: string; content: FileContent }[]): Promise<void> {
  const parts: { path: string; temporary: string }[] = [];
  const placed: string[] = [];
  try {
    for (const { path, content } of files) parts.push({ path, temporary: await writePart(path, content) });
    for (const { path, temporary } of parts) {
      const isNew = (await stat(path).catch(() => null)) === null;
      await takeStep(path, temporary, () => rename(temporary, path));
      if (isNew) placed.push(path);
    }
  } catch (fault) {
    const left = [...placed, ...parts.map(({ temporary }) => temporary)];
    for (const path of left) await rm(path, { force: true }).catch(() => {});
    throw fault;
  }
}

async function putWhole(path: string, content: FileContent, put: (temporary: string) => Promise<void>): Promise<void> {
  const temporary = await writePart(path, content);
  await takeStep(path, temporary, () => put(temporary));
}

/** Puts the content on the disk, under a name in the folder of `path`, which it returns. */
async function writePart(path: string, content: FileContent): Promise<string> {
  const temporary = join(dirname(path), `.${randomBytes(6).toString('hex')}.rigproof-part`);
  await takeStep(path, temporary, async () => {
    // Flushed before it gets its name: after a power cut that never stands for bytes that are not on the disk.
    if (typeof content === 'string' || content instanceof Uint8Array) {
      await writeFile(temporary, content, { flush: true });
    } else {
      await writePieces(temporary, content);
    }
  });
  return temporary;
}

/** Takes a step on the way of a file to its place. Where that fails its part is removed, and the fault names the file. */
async function takeStep(path: string, temporary: string, step: () => Promise<void>): Promise<void> {
  try {
    await step();
  } catch (cause) {
    // Removing may fail for the same reason as writing; that reason is the one to report.
    await rm(temporary, { force: true }).catch(() => {});
    throw new RigproofError(
      'FILE_WRITE',
      `The file cannot be written: ${writeReason(cause)}.`,
      { file: path },
      { hint: 'Check that the folder exists, that it may be written to and that the disk has room.', cause },
    );
  }
}

/** By one call of the system: a piece at a time took a call each, put together first a copy of all. */
async function writePieces(path: string, pieces: readonly Uint8Array[]): Promise<void> {
  const file = await open(path, 'w');
  try {
    const { bytesWritten } = await file.writev(pieces);
    // The system may write less at once, where the disk is nearly full say.
    if (bytesWritten < totalLength(pieces)) await file.writeFile(joinPieces(pieces).subarray(bytesWritten));
    await file.sync();
  } finally {
    await file.close();
  }
}

/**
 * Makes sure that an output is none of the inputs, by any name or link.
 * @throws RigproofError FILE_IS_INPUT
 */
export async function keepInputs(output: string, inputs: readonly string[]): Promise<void> {
  const there = await stat(output).catch(() => null);
  if (!there) return;
  for (const input of inputs) {
    const source = await stat(input).catch(() => null);
    if (source && source.dev === there.dev && source.ino === there.ino) {
      throw new RigproofError(
        'FILE_IS_INPUT',
        'The output would replace an input.',
        { file: output },
        { hint: 'Give another name with -o.' },
      );
    }
  }
}

async function reading<T>(path: string, read: () => Promise<T>): Promise<T> {
  try {
    return await read();
  } catch (cause) {
    throw new RigproofError(
      'FILE_OPEN',
      `The file cannot be read: ${reasonOf(cause)}.`,
      { file: path },
      { hint: 'Check the path, and that you may read it.', cause },
    );
  }
}

/** A missing path means another thing for a file that is to be made: its folder. */
function writeReason(cause: unknown): string {
  return codeOf(cause) === 'ENOENT' ? 'the folder does not exist' : reasonOf(cause);
}

const REASONS: { [code: string]: string } = {
  ENOENT: 'it does not exist',
  EISDIR: 'it is a folder',
  EACCES: 'access is denied',
  EPERM: 'access is denied',
  ENOTDIR: 'a part of the path is not a folder',
  ENOSPC: 'the disk is full',
  EROFS: 'the disk is read-only',
};

function reasonOf(cause: unknown): string {
  const { code, message } = cause as { code?: string; message?: string };
  return REASONS[code ?? ''] ?? code ?? message ?? 'for an unknown reason';
}
