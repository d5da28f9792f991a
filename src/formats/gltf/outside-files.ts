import type { GltfContainer } from './container.ts';
import { documentOf } from './nodes.ts';

/** Names of the files that a document refers to: buffers and images with an address of their own, decoded. */
export function outsideFiles(container: GltfContainer): string[] {
  const { buffers = [], images = [] } = documentOf(container);
  const names = [...buffers, ...images].map(({ uri }) => decodeUri(uri));
  return [...new Set(names.filter((name) => name !== undefined))];
}

/** A URI as a file name; as it stands where its percent signs mean nothing. Undefined where the data stand in it. */
function decodeUri(uri: string | undefined): string | undefined {
  if (uri === undefined || uri.startsWith('data:')) return undefined;
  try {
    return decodeURIComponent(uri);
  } catch {
    return uri;
  }
}
