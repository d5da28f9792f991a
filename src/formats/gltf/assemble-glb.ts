const GLB_MAGIC = 0x46546c67; // 'glTF', little-endian
const CHUNK_JSON = 0x4e4f534a;
const CHUNK_BIN = 0x004e4942;

/**
 * The bytes of a .glb (glTF 2.0, section 4.4): header, JSON chunk padded with spaces, binary chunk padded with zeros,
 * then any other chunks.
 *
 * @param json    pieces of the JSON chunk in UTF-8, without byte order mark and padding, laid one behind the other
 * @param binary  pieces of the binary chunk, laid one behind the other; none or only empty ones: no such chunk
 */
export function assembleGlb(
  json: readonly Uint8Array[],
  binary: readonly Uint8Array[],
  otherChunks: readonly { type: number; bytes: Uint8Array }[] = [],
): Uint8Array {
  const jsonLength = align4(totalLength(json));
  const binaryLength = totalLength(binary);
  const binaryPadded = align4(binaryLength);
  let total = 12 + 8 + jsonLength;
  if (binaryLength > 0) total += 8 + binaryPadded;
  for (const chunk of otherChunks) total += 8 + align4(chunk.bytes.length);

  const out = new Uint8Array(total);
  const view = new DataView(out.buffer);
  view.setUint32(0, GLB_MAGIC, true);
  view.setUint32(4, 2, true);
  view.setUint32(8, total, true);
  let at = 12;
  const put = (pieces: readonly Uint8Array[]): number => {
    let end = at;
    for (const piece of pieces) {
      out.set(piece, end);
      end += piece.length;
    }
    return end;
  };
  const open = (type: number, length: number) => {
    view.setUint32(at, length, true);
    view.setUint32(at + 4, type, true);
    at += 8;
  };
  open(CHUNK_JSON, jsonLength);
  out.fill(0x20, put(json), at + jsonLength);
  at += jsonLength;
  if (binaryLength > 0) {
    open(CHUNK_BIN, binaryPadded);
    put(binary);
    at += binaryPadded;
  }
  for (const chunk of otherChunks) {
    open(chunk.type, align4(chunk.bytes.length));
    out.set(chunk.bytes, at);
    at += align4(chunk.bytes.length);
  }
  return out;
}

/** Bytes of all pieces together. */
export function totalLength(pieces: readonly Uint8Array[]): number {
  return pieces.reduce((sum, piece) => sum + piece.length, 0);
}

/** The next multiple of four. */
export function align4(length: number): number {
  return Math.ceil(length / 4) * 4;
}
