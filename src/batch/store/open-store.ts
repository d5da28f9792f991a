import { randomUUID } from 'node:crypto';
import { RigproofError } from '../../errors.ts';
import { STATE_FOLDER } from '../records.ts';
import { openFolderStore } from './folder-store.ts';
import { noStore, type Store } from './store.ts';

/** A store that is known to answer. */
export interface OpenStore extends Store {
  /** The same for every machine, by whatever path or address it reaches the store. */
  readonly id: string;
}

const MARKER = `${STATE_FOLDER}/store.json`;

interface Marker {
  format: 'rigproof-store';
  version: 1;
  id: string;
}

/**
 * Opens `s3://bucket/prefix`, or a folder, and makes sure that it can be read and written. Endpoint and key of an object
 * store stand in the environment.
 * @throws RigproofError STORE_ADDRESS, STORE_KEY, STORE_CONNECT, STORE_BUCKET, STORE_DENIED, STORE_FAULT, STORE_FORM; for a
 *   folder FILE_OPEN, FILE_WRITE
 */
export async function openStore(address: string, environment: NodeJS.ProcessEnv = process.env): Promise<OpenStore> {
  const store = await storeAt(address, environment);
  if ((await store.read(MARKER)) === null) {
    // Two that begin at once may both write; the one marker that then stands is the one that counts.
    const marker: Marker = { format: 'rigproof-store', version: 1, id: randomUUID() };
    await store.create(MARKER, new TextEncoder().encode(`${JSON.stringify(marker)}\n`));
  }
  const { id } = parseMarker(await store.read(MARKER), store.address);
  return Object.assign(store, { id });
}

async function storeAt(address: string, environment: NodeJS.ProcessEnv): Promise<Store> {
  if (/^s3:/i.test(address)) {
    // Its client is loaded only where it is used.
    const { openObjectStore } = await import('./object-store.ts');
    return openObjectStore(address, environment);
  }
  if (/^[a-z][a-z0-9+.-]+:\/\//i.test(address)) throw noStore(address);
  return openFolderStore(address);
}

function parseMarker(bytes: Uint8Array | null, address: string): Marker {
  try {
    const marker = JSON.parse(new TextDecoder().decode(bytes ?? new Uint8Array())) as Marker;
    if (marker.format === 'rigproof-store' && marker.version === 1 && typeof marker.id === 'string') return marker;
  } catch {
    // As below.
  }
  throw new RigproofError(
    'STORE_FORM',
    `${MARKER} is none that this version knows.`,
    { file: address },
    { hint: 'Give another folder or prefix, or remove that file if nothing else uses the store.' },
  );
}
