import type { BvhFile } from '../formats/bvh/index.ts';
import { readBvhFile } from '../formats/bvh/node.ts';
import type { Character } from '../formats/gltf/character.ts';
import { createDracoDecoder } from '../formats/gltf/draco.ts';
import { readContainerFile } from '../formats/gltf/node.ts';
import { type ReadCharacterOptions, readCharacter } from '../formats/gltf/read-character.ts';
import { fileKindOf } from '../formats/node.ts';

/** A file as its reader leaves it: a clip with its performer, or a character (which may hold clips too). */
export type OpenedFile = { kind: 'clip'; file: BvhFile } | { kind: 'character'; character: Character };

const DRACO = 'KHR_draco_mesh_compression';

/**
 * Opens a clip or a character from disk. The content tells which reader it needs, not the extension. Meshes that are
 * compressed with Draco are decoded.
 * @throws RigproofError FILE_OPEN, FILE_EMPTY, FILE_KIND and those of the readers
 */
export async function openFile(path: string, options: ReadCharacterOptions = {}): Promise<OpenedFile> {
  if ((await fileKindOf(path)) === 'bvh') return { kind: 'clip', file: await readBvhFile(path) };
  const container = readContainerFile(path);
  const { extensionsUsed } = container.json;
  const isCompressed = Array.isArray(extensionsUsed) && extensionsUsed.includes(DRACO);
  const dracoDecoder = isCompressed ? await createDracoDecoder() : undefined;
  return { kind: 'character', character: readCharacter(container, { dracoDecoder, ...options }) };
}
