import { readFileSync, realpathSync } from 'node:fs';
import { basename, dirname, isAbsolute, join, relative } from 'node:path';
import { RigproofError } from '../../errors.ts';
import { type GltfContainer, parseContainer } from './container.ts';

/**
 * Opens a .glb, .vrm or .gltf from disk; buffers of a .gltf are read from its own folder and below it, links included:
 * a link that leads out of the folder counts as missing.
 * @param onBuffer  is told the name of each such buffer, relative to the folder
 * @throws RigproofError `GLTF_OPEN` when the file cannot be read, else as `parseContainer`
 */
export function readContainerFile(path: string, onBuffer?: (name: string) => void): GltfContainer {
  let bytes: Uint8Array;
  try {
    bytes = readFileSync(path);
  } catch (cause) {
    const reason = (cause as { code?: string }).code ?? 'unknown reason';
    throw new RigproofError(
      'GLTF_OPEN',
      `The file cannot be read (${reason}).`,
      { file: path },
      { hint: 'Check the path and that the file may be read.', cause },
    );
  }
  const folder = realpathSync(dirname(path));
  return parseContainer(bytes, basename(path), (uri) => {
    try {
      const target = realpathSync(join(folder, uri));
      const inside = relative(folder, target);
      if (inside.startsWith('..') || isAbsolute(inside)) return undefined;
      const buffer = readFileSync(target);
      onBuffer?.(uri);
      return buffer;
    } catch {
      return undefined; // reported as a missing buffer, with the URI and the remedy
    }
  });
}

/** The other files that a file consists of: its external buffers, relative to its folder. None where it is faulty. */
export function bufferFilesOf(path: string): string[] {
  const names = new Set<string>();
  try {
    readContainerFile(path, (name) => names.add(name));
  } catch {
    return []; // who opens it says what is wrong with it
  }
  return [...names];
}
