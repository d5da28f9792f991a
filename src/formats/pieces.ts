/** The bytes of a file that is ready to be written. */
export interface FileBytes {
  /**
   * In pieces to be laid one behind the other. Most may be views of what else is in use, the character's own bytes say:
   * to be written or copied, never changed or handed to another thread.
   */
  readonly pieces: readonly Uint8Array[];
  /** In one; put together when it is first asked for. */
  readonly bytes: Uint8Array;
}

/** The given pieces, with further members of the file. */
export function inPieces<T extends object>(pieces: readonly Uint8Array[], members: T): T & FileBytes {
  let whole: Uint8Array | undefined;
  return {
    ...members,
    pieces,
    get bytes() {
      whole ??= joinPieces(pieces);
      return whole;
    },
  };
}

/** All pieces, one behind the other: the piece itself where it is the only one. */
export function joinPieces(pieces: readonly Uint8Array[]): Uint8Array {
  if (pieces.length === 1) return pieces[0]!;
  const out = new Uint8Array(totalLength(pieces));
  let at = 0;
  for (const piece of pieces) {
    out.set(piece, at);
    at += piece.length;
  }
  return out;
}

/** Bytes of all pieces together. */
export function totalLength(pieces: readonly Uint8Array[]): number {
  let total = 0;
  for (const piece of pieces) total += piece.length;
  return total;
}
