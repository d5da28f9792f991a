import type { Session } from './session.ts';

const NAME = 'rigproof';
const VERSION = 1;
/** Where a session stands that the database may not have. */
const LAST_WORD = 'rigproof-session';

/** A file as it is kept across reloads. */
export interface StoredFile {
  id: string;
  name: string;
  bytes: ArrayBuffer;
  companions: { name: string; bytes: ArrayBuffer }[];
}

let opening: Promise<IDBDatabase | null> | undefined;

/** The database, or null where the browser gives none (private windows): the app then works without memory. */
function database(): Promise<IDBDatabase | null> {
  opening ??= new Promise((done) => {
    const request = indexedDB.open(NAME, VERSION);
    request.onupgradeneeded = () => {
      request.result.createObjectStore('files', { keyPath: 'id' });
      request.result.createObjectStore('session');
    };
    request.onsuccess = () => done(request.result);
    request.onerror = () => done(null);
  });
  return opening;
}

async function run<T>(
  store: 'files' | 'session',
  mode: IDBTransactionMode,
  act: (store: IDBObjectStore) => IDBRequest<T>,
): Promise<T | undefined> {
  const db = await database();
  if (!db) return undefined;
  return new Promise((done) => {
    const request = act(db.transaction(store, mode).objectStore(store));
    request.onsuccess = () => done(request.result);
    request.onerror = () => done(undefined);
  });
}

export async function keepFile(file: StoredFile): Promise<void> {
  await run('files', 'readwrite', (store) => store.put(file));
}

export async function loadFiles(): Promise<StoredFile[]> {
  return ((await run('files', 'readonly', (store) => store.getAll())) as StoredFile[] | undefined) ?? [];
}

/** Keeps the session and forgets the files that it no longer names. */
export async function keepSession(session: Session, used: ReadonlySet<string>): Promise<void> {
  await run('session', 'readwrite', (store) => store.put(session, 'current'));
  withPageStorage((storage) => storage.removeItem(LAST_WORD));
  const ids = (await run('files', 'readonly', (store) => store.getAllKeys())) ?? [];
  for (const id of ids) if (!used.has(String(id))) await run('files', 'readwrite', (store) => store.delete(id));
}

/** Undefined where the browser gives no room, or none at all: what the database holds is a third of a second older. */
function withPageStorage<T>(act: (storage: Storage) => T): T | undefined {
  try {
    return act(localStorage);
  } catch {
    return undefined;
  }
}

/** Keeps the session of a page that is being left: the database would not come to its end. */
export function keepLastWord(session: Session): void {
  withPageStorage((storage) => storage.setItem(LAST_WORD, JSON.stringify(session)));
}

export async function loadSession(): Promise<Session | undefined> {
  const lastWord = withPageStorage((storage) => storage.getItem(LAST_WORD));
  if (lastWord) return JSON.parse(lastWord) as Session;
  return (await run('session', 'readonly', (store) => store.get('current'))) as Session | undefined;
}

export async function forgetAll(): Promise<void> {
  withPageStorage((storage) => storage.removeItem(LAST_WORD));
  await run('session', 'readwrite', (store) => store.clear());
  await run('files', 'readwrite', (store) => store.clear());
}
