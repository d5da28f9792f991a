import { totalLength } from '../pieces.ts';

const GLB_MAGIC = 0x46546c67; // 'glTF', little-endian
const CHUNK_JSON = 0x4e4f534a;
const CHUNK_BIN = 0x004e4942;

/**
 * The bytes of a .glb (glTF 2.0, section 4.4) in pieces: header, JSON chunk padded with spaces, binary chunk padded with
 * zeros, then any other chunks.
 *
 * @param json    pieces of the JSON chunk in UTF-8, without byte order mark and padding, laid one behind the other
 * @param binary  pieces of the binary chunk, laid one behind the other; none or only empty ones: no such chunk
 */
export function assembleGlb(
  json: readonly Uint8Array[],
  binary: readonly Uint8Array[],
  otherChunks: readonly { type: number; bytes: Uint8Array }[] = [],
): Uint8Array[] {
  const chunks = [chunk(CHUNK_JSON, json, 0x20)];
  if (totalLength(binary) > 0) chunks.push(chunk(CHUNK_BIN, binary, 0));
  for (const { type, bytes } of otherChunks) chunks.push(chunk(type, [bytes], 0));
  const pieces = chunks.flat();
  return [words(GLB_MAGIC, 2, 12 + totalLength(pieces)), ...pieces];
}

function chunk(type: number, content: readonly Uint8Array[], padding: number): Uint8Array[] {
  const length = totalLength(content);
  const missing = align4(length) - length;
  const pieces = [words(length + missing, type), ...content];
  if (missing > 0) pieces.push(new Uint8Array(missing).fill(padding));
  return pieces;
}

/** Unsigned 32-bit integers, little-endian. */
function words(...values: number[]): Uint8Array {
  const view = new DataView(new ArrayBuffer(values.length * 4));
  values.forEach((value, i) => {
    view.setUint32(i * 4, value, true);
  });
  return new Uint8Array(view.buffer);
}

/** The next multiple of four. */
export function align4(length: number): number {
  return Math.ceil(length / 4) * 4;
}
