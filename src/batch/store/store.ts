import { RigproofError } from '../../errors.ts';

/**
 * A place that machines share, for files under names with slashes: a folder, or an object store. It needs neither locks
 * nor lists: a file stands in it whole or not at all, and a record is written after what it speaks of.
 */
export interface Store {
  /** As people call it. */
  readonly address: string;
  /** The bytes of a file, or null where there is none. */
  read(name: string): Promise<Uint8Array | null>;
  /** Bytes of a file, or null where there is none. */
  size(name: string): Promise<number | null>;
  /** Writes a file, whole or not at all; what stood there is replaced. */
  write(name: string, bytes: Uint8Array): Promise<void>;
  /** Writes a file where there is none. Does nothing where there is one. */
  create(name: string, bytes: Uint8Array): Promise<void>;
}

export function noStore(address: string): RigproofError {
  return new RigproofError(
    'STORE_ADDRESS',
    `"${address}" is no address of a store.`,
    {},
    { hint: 'Give a folder, or s3://bucket/prefix.' },
  );
}
