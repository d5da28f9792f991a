import { type Note, RigproofError } from '../../errors.ts';
import { checkDocument } from './check-document.ts';

/** A JSON object as it stands in a file: unknown members are kept. */
export type JsonObject = { [key: string]: unknown };

/** A glTF 2.0 document as it stands in its file, before anything is interpreted. */
export interface GltfContainer {
  /** File name as given, for messages. */
  name: string;
  form: 'glb' | 'gltf';
  /** The parsed JSON, never edited: a writer copies what it changes. */
  json: JsonObject;
  /** The JSON text as it stands in the file (with a byte order mark or padding, if any), for a writer that keeps bytes. */
  jsonText: string;
  /**
   * Bytes of each entry of `buffers`; for a .glb the first is the whole binary chunk, padding included, so it may be up
   * to three bytes longer than its `byteLength`. A fallback buffer of EXT_meshopt_compression holds no bytes.
   */
  buffers: Uint8Array[];
  /** Chunks of a .glb after JSON and BIN, in file order: kept for a writer. */
  otherChunks: { type: number; bytes: Uint8Array }[];
  notes: Note[];
}

/** Fetches the bytes that a relative buffer URI (already percent-decoded) names; undefined when there are none. */
export type ResolveUri = (uri: string) => Uint8Array | undefined;

const GLB_MAGIC = 0x46546c67; // 'glTF', little-endian
const CHUNK_JSON = 0x4e4f534a;
const CHUNK_BIN = 0x004e4942;

/**
 * Parses a .glb, a .vrm (which is a .glb) or the text of a .gltf, and checks every index and range that the reader and
 * the writer rely on: what this returns can be read without further checks of structure. glTF 2.0, sections 3 and 4.
 *
 * Nothing is copied: `buffers` of a .glb are views into `bytes`.
 *
 * @param name     file name, for messages
 * @param resolve  gives the bytes of an external buffer; called only with relative URIs that stay in the folder
 * @throws RigproofError `GLTF_EMPTY`, `GLTF_FORM`, `GLTF_VERSION`, `GLTF_TRUNCATED`, `GLTF_CHUNK`, `GLTF_TEXT`,
 *   `GLTF_JSON`, `GLTF_BUFFER_URI`, `GLTF_BUFFER_MISSING`, `GLTF_BUFFER_LENGTH`, and those of `checkDocument`
 */
export function parseContainer(bytes: Uint8Array, name: string, resolve?: ResolveUri): GltfContainer {
  if (bytes.length === 0) {
    throw new RigproofError(
      'GLTF_EMPTY',
      'The file is empty.',
      { file: name },
      { hint: 'Export the character again.' },
    );
  }
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const isBinary = bytes.length >= 4 && view.getUint32(0, true) === GLB_MAGIC;
  const notes: Note[] = [];
  let jsonBytes = bytes;
  let binary: Uint8Array | undefined;
  let otherChunks: GltfContainer['otherChunks'] = [];
  if (isBinary) {
    ({ jsonBytes, binary, otherChunks } = splitChunks(bytes, view, name, notes));
  } else if (!startsLikeJson(bytes)) {
    throw new RigproofError(
      'GLTF_FORM',
      `The file starts with ${describeStart(bytes)}; expected "glTF" (.glb, .vrm) or JSON text (.gltf).`,
      { file: name },
      { hint: 'Export the character as .glb, .gltf or .vrm.' },
    );
  }
  const jsonText = decodeText(jsonBytes, name);
  const json = parseJson(jsonText, name);
  checkVersion(json, name);
  const buffers = readBuffers(json, binary, name, resolve);
  checkDocument(json, buffers, name);
  return { name, form: isBinary ? 'glb' : 'gltf', json, jsonText, buffers, otherChunks, notes };
}

function splitChunks(bytes: Uint8Array, view: DataView, name: string, notes: Note[]) {
  const truncated = (message: string): RigproofError =>
    new RigproofError(
      'GLTF_TRUNCATED',
      message,
      { file: name },
      { hint: 'The copy or the export was cut short: fetch or export the file again.' },
    );
  if (bytes.length < 12) throw truncated(`The file has ${bytes.length} bytes; a .glb header alone takes 12.`);
  const version = view.getUint32(4, true);
  if (version !== 2) {
    throw new RigproofError(
      'GLTF_VERSION',
      `The file is binary glTF version ${version}; expected version 2.`,
      { file: name },
      { hint: 'Export the character as glTF 2.0.' },
    );
  }
  const declared = view.getUint32(8, true);
  if (declared > bytes.length) {
    throw truncated(`The header declares ${declared} bytes, but the file has ${bytes.length}.`);
  }
  if (declared < bytes.length) {
    notes.push({
      code: 'GLTF_TRAILING_BYTES',
      severity: 'warning',
      message: `${bytes.length - declared} bytes after the declared end of the file are ignored.`,
      place: { file: name },
    });
  }
  let jsonBytes: Uint8Array | undefined;
  let binary: Uint8Array | undefined;
  const otherChunks: { type: number; bytes: Uint8Array }[] = [];
  let at = 12;
  while (at + 8 <= declared) {
    const length = view.getUint32(at, true);
    const type = view.getUint32(at + 4, true);
    if (length > declared - at - 8) {
      throw truncated(`The chunk at byte ${at} declares ${length} bytes, but ${declared - at - 8} are left.`);
    }
    const chunk = bytes.subarray(at + 8, at + 8 + length);
    if (jsonBytes === undefined) {
      if (type !== CHUNK_JSON) {
        throw new RigproofError(
          'GLTF_CHUNK',
          `The first chunk has type 0x${type.toString(16)}; expected JSON (0x4e4f534a).`,
          { file: name },
          { hint: 'The file is damaged: export the character again.' },
        );
      }
      jsonBytes = chunk;
    } else if (type === CHUNK_BIN && binary === undefined && otherChunks.length === 0) {
      binary = chunk;
    } else {
      otherChunks.push({ type, bytes: chunk });
    }
    at += 8 + length;
  }
  if (jsonBytes === undefined) throw truncated('The file ends before its JSON chunk.');
  return { jsonBytes, binary, otherChunks };
}

/** Whether the first character that is neither a byte order mark nor white space opens a JSON object. */
function startsLikeJson(bytes: Uint8Array): boolean {
  let at = bytes[0] === 0xef && bytes[1] === 0xbb && bytes[2] === 0xbf ? 3 : 0;
  while (at < bytes.length && (bytes[at] === 0x20 || bytes[at] === 0x09 || bytes[at] === 0x0a || bytes[at] === 0x0d)) {
    at++;
  }
  return bytes[at] === 0x7b;
}

function describeStart(bytes: Uint8Array): string {
  const first = Array.from(bytes.subarray(0, 4));
  if (first.every((byte) => byte >= 0x20 && byte < 0x7f)) return `"${String.fromCharCode(...first)}"`;
  return `the bytes ${first.map((byte) => byte.toString(16).padStart(2, '0')).join(' ')}`;
}

function decodeText(bytes: Uint8Array, name: string): string {
  try {
    return new TextDecoder('utf-8', { fatal: true, ignoreBOM: true }).decode(bytes);
  } catch (cause) {
    throw new RigproofError(
      'GLTF_TEXT',
      'The JSON is not valid UTF-8.',
      { file: name },
      { hint: 'Export the character again, or save the text as UTF-8.', cause },
    );
  }
}

function parseJson(text: string, name: string): JsonObject {
  let json: unknown;
  try {
    json = JSON.parse(text.charCodeAt(0) === 0xfeff ? text.slice(1) : text);
  } catch (cause) {
    const reason = cause instanceof Error ? cause.message : String(cause);
    throw new RigproofError(
      'GLTF_JSON',
      `The JSON cannot be parsed: ${reason}`,
      { file: name },
      { hint: 'The file is damaged or was edited by hand: export the character again.', cause },
    );
  }
  if (typeof json !== 'object' || json === null || Array.isArray(json)) {
    throw new RigproofError(
      'GLTF_JSON',
      'The JSON is not an object.',
      { file: name, pointer: '' },
      { hint: 'Export the character again as glTF 2.0.' },
    );
  }
  return json as JsonObject;
}

function checkVersion(json: JsonObject, name: string): void {
  const asset = json.asset as { version?: unknown; minVersion?: unknown } | undefined;
  const version = asset?.minVersion ?? asset?.version;
  if (typeof version !== 'string' || !/^2\.\d+$/.test(version)) {
    throw new RigproofError(
      'GLTF_VERSION',
      version === undefined
        ? 'The document does not state its glTF version.'
        : `The document states glTF version ${JSON.stringify(version)}; expected 2.x.`,
      { file: name, pointer: '/asset/version' },
      { hint: 'Export the character as glTF 2.0.' },
    );
  }
}

function readBuffers(
  json: JsonObject,
  binary: Uint8Array | undefined,
  name: string,
  resolve: ResolveUri | undefined,
): Uint8Array[] {
  if (json.buffers === undefined) return [];
  if (!Array.isArray(json.buffers)) {
    throw new RigproofError('GLTF_TYPE', 'Expected an array.', { file: name, pointer: '/buffers' });
  }
  return json.buffers.map((entry: unknown, i: number) => {
    const pointer = `/buffers/${i}`;
    const place = { file: name, pointer };
    const declaration = (typeof entry === 'object' && entry !== null ? entry : {}) as JsonObject;
    const { uri, byteLength, extensions } = declaration;
    if (typeof byteLength !== 'number' || !Number.isInteger(byteLength) || byteLength < 1) {
      throw new RigproofError(
        'GLTF_BUFFER_LENGTH',
        `byteLength is ${JSON.stringify(byteLength)}; expected a whole number from 1.`,
        { file: name, pointer: `${pointer}/byteLength` },
        { hint: 'Export the character again.' },
      );
    }
    let bytes: Uint8Array | undefined;
    if (typeof uri === 'string') bytes = readUri(uri, place, resolve);
    else if (i === 0 && binary !== undefined) bytes = binary;
    else if (isFallback(extensions)) return new Uint8Array(0);
    if (bytes === undefined) {
      throw new RigproofError(
        'GLTF_BUFFER_MISSING',
        typeof uri === 'string'
          ? `The buffer file ${JSON.stringify(uri)} was not found.`
          : 'The buffer names no file and there is no binary chunk for it.',
        place,
        {
          hint:
            typeof uri === 'string'
              ? 'Put the file beside the .gltf under that name, or export as .glb, which needs no other file.'
              : 'Export the character again.',
        },
      );
    }
    if (bytes.length < byteLength) {
      throw new RigproofError(
        'GLTF_BUFFER_LENGTH',
        `The buffer declares ${byteLength} bytes, but ${bytes.length} are there.`,
        place,
        { hint: 'The copy or the export was cut short: fetch or export the file again.' },
      );
    }
    return bytes;
  });
}

/** EXT_meshopt_compression lets a buffer without bytes stand in for what only a decoder can make. */
function isFallback(extensions: unknown): boolean {
  const entries = Object.values((extensions ?? {}) as { [key: string]: { fallback?: unknown } | undefined });
  return entries.some((entry) => entry?.fallback === true);
}

function readUri(
  uri: string,
  place: { file: string; pointer: string },
  resolve: ResolveUri | undefined,
): Uint8Array | undefined {
  const uriPlace = { ...place, pointer: `${place.pointer}/uri` };
  if (/^data:/i.test(uri)) return readDataUri(uri, uriPlace);
  let path: string;
  try {
    path = decodeURIComponent(uri);
  } catch (cause) {
    throw new RigproofError(
      'GLTF_BUFFER_URI',
      `The buffer URI ${JSON.stringify(uri)} holds a faulty % code.`,
      uriPlace,
      { hint: 'Write a % in a file name as %25.', cause },
    );
  }
  const isAbsolute = /^[/\\]/.test(path) || /^[a-z][a-z0-9+.-]*:/i.test(path);
  if (isAbsolute || path.split(/[/\\]/).includes('..') || path.includes('\0')) {
    throw new RigproofError(
      'GLTF_BUFFER_URI',
      `The buffer URI ${JSON.stringify(uri)} leads outside the folder of the file; only relative paths below it are read.`,
      uriPlace,
      { hint: 'Put the buffer file beside the .gltf and name it without a path, or export as .glb.' },
    );
  }
  return resolve?.(path);
}

function readDataUri(uri: string, place: { file: string; pointer: string }): Uint8Array {
  const comma = uri.indexOf(',');
  const isBase64 = /;base64$/i.test(uri.slice(0, Math.max(0, comma)));
  try {
    if (comma < 0) throw new Error('no comma after the media type');
    const payload = decodeURIComponent(uri.slice(comma + 1));
    const binary = isBase64 ? atob(payload) : payload;
    return Uint8Array.from(binary, (character) => character.charCodeAt(0));
  } catch (cause) {
    throw new RigproofError('GLTF_BUFFER_URI', 'The data URI of the buffer cannot be decoded.', place, {
      hint: 'The file is damaged or was edited by hand: export the character again.',
      cause,
    });
  }
}
