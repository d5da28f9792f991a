import type { BvhFile } from '../formats/bvh/index.ts';
import { readBvhFile } from '../formats/bvh/node.ts';
import type { Character } from '../formats/gltf/character.ts';
import { readContainerFile } from '../formats/gltf/node.ts';
import type { ReadCharacterOptions } from '../formats/gltf/read-character.ts';
import { fileKindOf, writeWholeFile } from '../formats/node.ts';
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

/**
 * Writes an output, whole or not at all. What stood there before is replaced.
 * @throws RigproofError FILE_WRITE
 */
export async function writeOutput(path: string, { file }: Output): Promise<void> {
  await writeWholeFile(path, file.pieces);
}

/**
 * Reads an output back from where `writeOutput` has put it, as the proof judges it.
 * @throws RigproofError as `readContainerFile` and `readBack`
 */
export async function readOutput(path: string, output: Output): Promise<Judged> {
  return readBack(output, () => readContainerFile(path));
}
