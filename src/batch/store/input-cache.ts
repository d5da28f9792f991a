import { rm } from 'node:fs/promises';
import { join } from 'node:path';
import { fetchInput, type InputFile } from './inputs.ts';
import type { Store } from './store.ts';

/** Inputs that nobody needs at the moment are kept up to here: the next task often has the same characters. */
const MOST_IDLE = 256 * 1024 * 1024; // bytes

interface Entry {
  fetched: Promise<{ path: string; bytes: number }>;
  bytes: number;
  users: number;
}

/** Inputs from a store as files on this machine, each fetched once while it is in use. */
export class InputCache {
  private readonly store: Store;
  private readonly folder: string;
  /** In the order of their last use. */
  private readonly entries = new Map<string, Entry>();

  constructor(store: Store, folder: string) {
    this.store = store;
    this.folder = folder;
  }

  /** Gives `work` the paths of inputs that stay there until it ends. */
  async with<T>(inputs: readonly InputFile[], work: (paths: string[]) => Promise<T>): Promise<T> {
    const entries = inputs.map((input) => this.take(input));
    try {
      return await work((await Promise.all(entries.map(({ fetched }) => fetched))).map(({ path }) => path));
    } finally {
      for (const entry of entries) entry.users--;
      await this.evict();
    }
  }

  private take(input: InputFile): Entry {
    const key = `${input.hash}/${input.path}`;
    const known = this.entries.get(key);
    const entry = known ?? this.fetch(key, input);
    entry.users++;
    this.entries.delete(key);
    this.entries.set(key, entry);
    return entry;
  }

  private fetch(key: string, input: InputFile): Entry {
    const entry: Entry = { fetched: fetchInput(this.store, input, this.folderOf(key)), bytes: 0, users: 0 };
    entry.fetched.then(
      ({ bytes }) => {
        entry.bytes = bytes;
      },
      // The next one who needs it tries again.
      () => this.entries.delete(key),
    );
    return entry;
  }

  private folderOf(key: string): string {
    return join(this.folder, key.split('/', 1)[0]!);
  }

  private async evict(): Promise<void> {
    let idle = 0;
    for (const [key, { users, bytes }] of [...this.entries].reverse()) {
      if (users > 0) continue;
      idle += bytes;
      if (idle <= MOST_IDLE) continue;
      // Other names of the same content lie in the same folder, and may be in use.
      const { path } = await this.entries.get(key)!.fetched;
      this.entries.delete(key);
      await rm(path, { force: true });
    }
  }
}
