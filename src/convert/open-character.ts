import type { Character } from '../formats/gltf/character.ts';
import type { GltfContainer } from '../formats/gltf/container.ts';
import { createDracoDecoder, type DracoDecoder } from '../formats/gltf/draco.ts';
import { type ReadCharacterOptions, readCharacter } from '../formats/gltf/read-character.ts';

const DRACO = 'KHR_draco_mesh_compression';

/**
 * Reads a document as a character; meshes that are compressed with Draco are decoded.
 * @param draco  gives the decoder, by default the library's own; called only when a compressed mesh is met and `options` bring none
 * @throws RigproofError as `readCharacter`
 */
export async function openCharacter(
  container: GltfContainer,
  options: ReadCharacterOptions = {},
  draco: () => Promise<DracoDecoder> = createDracoDecoder,
): Promise<Character> {
  const { extensionsUsed } = container.json;
  const isCompressed = Array.isArray(extensionsUsed) && extensionsUsed.includes(DRACO);
  const dracoDecoder = isCompressed && !options.dracoDecoder ? await draco() : undefined;
  return readCharacter(container, { dracoDecoder, ...options });
}
