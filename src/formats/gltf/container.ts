import type { Note } from '../../errors.ts';

/** A JSON object as it stands in a file: unknown members are kept. */
export type JsonObject = { [key: string]: unknown };

/** A glTF 2.0 document as it stands in its file, before anything is interpreted. */
export interface GltfContainer {
  /** File name as given, for messages. */
  name: string;
  form: 'glb' | 'gltf';
  /** The parsed JSON, never edited: a writer copies what it changes. */
  json: JsonObject;
  /** The JSON text as it stands in the file, for a writer that keeps bytes. */
  jsonText: string;
  /** Bytes of each entry of `buffers`; for a .glb the first is the binary chunk. */
  buffers: Uint8Array[];
  notes: Note[];
}
