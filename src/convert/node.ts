import { existsSync } from 'node:fs';
import { mkdir, readFile } from 'node:fs/promises';
import { dirname, isAbsolute, join, relative } from 'node:path';
import { RigproofError } from '../errors.ts';
import type { BvhFile } from '../formats/bvh/index.ts';
import { readBvhFile } from '../formats/bvh/node.ts';
import type { Character } from '../formats/gltf/character.ts';
import { readContainerFile } from '../formats/gltf/node.ts';
import { outsideFiles } from '../formats/gltf/outside-files.ts';
import type { ReadCharacterOptions } from '../formats/gltf/read-character.ts';
import { type FileContent, fileKindOf, writeWholeFiles } from '../formats/node.ts';
import { openCharacter } from './open-character.ts';
import { type Judged, type Output, readBack } from './output.ts';

/** A file as its reader leaves it: a clip with its performer, or a character (which may hold clips too). */
export type OpenedFile = { kind: 'clip'; file: BvhFile } | { kind: 'character'; character: Character };

/**
 * Opens a clip or a character from disk. The content tells which reader it needs, not the extension.
 * @throws RigproofError FILE_OPEN, FILE_EMPTY, FILE_KIND and those of the readers
 */
export async function openFile(path: string, options: ReadCharacterOptions = {}): Promise<OpenedFile> {
  if ((await fileKindOf(path)) === 'bvh') return { kind: 'clip', file: await readBvhFile(path) };
  return { kind: 'character', character: await openCharacter(readContainerFile(path), options) };
}

/** A file that a motion is written into. */
export interface OutputFile {
  path: string;
  content: FileContent;
}

/**
 * The files that an output consists of, the one that refers to the others last. Beside a .gltf in another folder than the
 * character's lie copies of the files that the character refers to; those that are there already are left out, and so are
 * those that cannot be read or lie outside of the character's folder (a note of the output names them).
 * @param path           where the output goes
 * @param characterPath  where the character comes from
 * @throws RigproofError OUTPUT_IN_THE_WAY where something else has the name of a copy
 */
export async function filesOf(path: string, { file, motion }: Output, characterPath: string): Promise<OutputFile[]> {
  const main = { path, content: file.pieces };
  if (!file.binary) return [main];
  const copies = await copiesBeside(path, characterPath, outsideFiles(motion.receiver.character.container));
  return [...copies, { path: join(dirname(path), file.binary.uri), content: file.binary.bytes }, main];
}

async function copiesBeside(path: string, characterPath: string, names: readonly string[]): Promise<OutputFile[]> {
  const [from, to] = [dirname(characterPath), dirname(path)];
  const copies: OutputFile[] = [];
  for (const name of names) {
    if (!isInside(from, join(from, name))) continue;
    const bytes = await readFile(join(from, name)).catch(() => null);
    if (bytes === null) continue;
    const there = await readFile(join(to, name)).catch(() => null);
    if (there?.equals(bytes)) continue;
    if (there) {
      throw new RigproofError(
        'OUTPUT_IN_THE_WAY',
        `The character refers to ${name}, and another file has that name where the output goes.`,
        { file: join(to, name) },
        { hint: 'Write into a folder of its own, or as .glb; or take that file away.' },
      );
    }
    copies.push({ path: join(to, name), content: bytes });
  }
  return copies;
}

function isInside(folder: string, path: string): boolean {
  const way = relative(folder, path);
  return !way.startsWith('..') && !isAbsolute(way);
}

/**
 * Writes the files of an output, whole or not at all. What stood there before is replaced.
 * @throws RigproofError FILE_WRITE
 */
export async function writeOutput(files: readonly OutputFile[]): Promise<void> {
  const main = dirname(files.at(-1)!.path);
  for (const { path } of files) {
    // Folders of copies are made; that of the output is not.
    if (dirname(path) !== main && existsSync(main)) await mkdir(dirname(path), { recursive: true });
  }
  await writeWholeFiles(files);
}

/**
 * Reads an output back from where `writeOutput` has put it, as the proof judges it.
 * @throws RigproofError as `readContainerFile` and `readBack`
 */
export async function readOutput(path: string, output: Output): Promise<Judged> {
  return readBack(output, () => readContainerFile(path));
}
