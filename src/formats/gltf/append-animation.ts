import type { Note } from '../../errors.ts';
import { type FileBytes, inPieces, joinPieces, totalLength } from '../pieces.ts';
import { align4, assembleGlb } from './assemble-glb.ts';
import type { GltfContainer } from './container.ts';
import {
  addEntries,
  arraySpans,
  type DocumentText,
  editedBytes,
  openText,
  removeMember,
  replaceMember,
} from './document-text.ts';
import type { EncodedAnimation } from './encode-animation.ts';
import { documentOf } from './nodes.ts';
import { outsideFiles } from './outside-files.ts';
import { appendMembers, type Edit, memberSpans } from './splice-json.ts';

/** Translation, rotation and scale that take the place of a node's `matrix`: glTF forbids to animate a node with one. */
export interface NodeTransform {
  node: number;
  /** Whether the matrix holds a shear, which these three cannot say. */
  isSheared: boolean;
  translation: readonly number[];
  rotation: readonly number[];
  scale: readonly number[];
}

/** A written glTF: a single .glb, or the text of a .gltf with one new binary file beside it. */
export interface WrittenGltf extends FileBytes {
  /** Only for a .gltf: the file that its last buffer names. */
  binary?: { uri: string; bytes: Uint8Array };
  /** Bytes that the animations take in the binary and in the JSON. */
  added: { binary: number; json: number };
  /** Names under which the animations stand in the file, in the given order. */
  names: string[];
  notes: Note[];
}

/**
 * Appends animations to a document as a self-contained .glb. The file's own JSON text and binary stay as they are, but for:
 * the new entries at the end of `animations`, `accessors` and `bufferViews`; the length of the first buffer; nodes with a
 * matrix in `decomposed`; and, for a .gltf, what a .glb holds otherwise: the first buffer and the images that are written
 * into the JSON move into the binary chunk, other external buffers into the JSON (extensions may refer to buffers by
 * index, so none is merged). Images in files of their own stay there (see the note).
 *
 * A name that the file has already gets the first free number: `walk`, `walk-2`, `walk-3`.
 */
export function appendAsGlb(
  container: GltfContainer,
  animations: readonly EncodedAnimation[],
  decomposed: readonly NodeTransform[] = [],
): WrittenGltf {
  const document = openText(container);
  const { buffers = [] } = documentOf(container);
  const bufferSpans = arraySpans(document, 'buffers');
  const edits: Edit[] = [];

  // Buffer 0 of a .glb is the binary chunk. In a .gltf it has an address, unless it is the stand-in of a compression
  // extension, which holds no bytes and cannot be appended to.
  const isChunk = container.form === 'glb' && buffers.length > 0 && buffers[0]!.uri === undefined;
  const isStandIn = !isChunk && buffers.length > 0 && buffers[0]!.uri === undefined;
  const start = buffers.length === 0 || isStandIn ? 0 : align4(buffers[0]!.byteLength);
  const buffer = isStandIn ? buffers.length : 0;
  const { fragments, bytes, names } = layOut(container, animations, buffer, start);
  const added = { binary: totalLength(bytes), json: fragmentLength(fragments) };
  if (container.form === 'gltf') edits.push(...moveImages(container, document, buffer, start, fragments, bytes));
  const byteLength = start + totalLength(bytes);

  const newBuffers: string[] = [];
  let binary: Uint8Array[] = [];
  if (isStandIn) {
    newBuffers.push(JSON.stringify({ byteLength, uri: dataUri(bytes) }));
  } else if (buffers.length === 0) {
    newBuffers.push(JSON.stringify({ byteLength }));
    binary = bytes;
  } else {
    const own = container.buffers[0]!.subarray(0, buffers[0]!.byteLength);
    binary = [own, new Uint8Array(start - own.length), ...bytes];
    const span = bufferSpans[0]!;
    edits.push(replaceMember(document, span, 'byteLength', byteLength));
    if (buffers[0]!.uri !== undefined) edits.push(removeMember(document, span, 'uri'));
  }
  for (let i = 1; i < buffers.length; i++) {
    const { uri } = buffers[i]!;
    if (uri === undefined || uri.startsWith('data:')) continue;
    edits.push(replaceMember(document, bufferSpans[i]!, 'uri', dataUri([container.buffers[i]!])));
  }
  edits.push(...addEntries(document, { ...fragments, buffers: newBuffers }), ...decompose(document, decomposed));
  const outside = (documentOf(container).images ?? []).filter(({ uri }) => uri && !uri.startsWith('data:'));
  const notes = notesOf(
    container,
    outside.map((image) => image.uri!),
    decomposed,
  );
  const pieces = assembleGlb(editedChunk(document, edits), binary, container.otherChunks);
  return inPieces(pieces, { added, names, notes });
}

/** The edited text as the JSON chunk of a .glb: without byte order mark and padding. */
function editedChunk(document: DocumentText, edits: readonly Edit[]): Uint8Array[] {
  const { text } = document;
  return editedBytes(document, edits, text.startsWith('\uFEFF') ? 1 : 0, text.trimEnd().length);
}

/**
 * Appends animations to a document as a .gltf with one new binary file. A .gltf stays as it was but for the new entries
 * (one more in `buffers` too) and the nodes in `decomposed`; buffers and images that it names by address stay where they
 * are. The binary chunk of a .glb becomes the first part of the new file, and its buffer gets the address.
 *
 * @param binaryUri  plain name of the new file; numbered when the document names such a file already
 */
export function appendAsGltf(
  container: GltfContainer,
  animations: readonly EncodedAnimation[],
  binaryUri: string,
  decomposed: readonly NodeTransform[] = [],
): WrittenGltf {
  const document = openText(container);
  const { buffers = [], images = [] } = documentOf(container);
  const isChunk = container.form === 'glb' && buffers.length > 0 && buffers[0]!.uri === undefined;
  const own = isChunk ? container.buffers[0]!.subarray(0, buffers[0]!.byteLength) : new Uint8Array(0);
  const start = align4(own.length);
  const { fragments, bytes, names } = layOut(container, animations, isChunk ? 0 : buffers.length, start);
  const byteLength = start + totalLength(bytes);
  // The new file must not take the place of one that the document already names.
  const taken = new Set<string | undefined>(outsideFiles(container));
  const file = freeName(binaryUri, taken, (n) => binaryUri.replace(/(\.[^.]*)?$/, `-${n}$1`));
  const uri = encodeURIComponent(file);

  const edits: Edit[] = [];
  const newBuffers: string[] = [];
  if (isChunk) {
    const span = arraySpans(document, 'buffers')[0]!;
    edits.push(replaceMember(document, span, 'byteLength', byteLength));
    edits.push(appendMembers(document.text, span, [`"uri":${JSON.stringify(uri)}`]));
  } else {
    newBuffers.push(JSON.stringify({ byteLength, uri }));
  }
  edits.push(...addEntries(document, { ...fragments, buffers: newBuffers }), ...decompose(document, decomposed));
  const outside = [...buffers, ...images].filter((entry) => entry.uri && !entry.uri.startsWith('data:'));
  const notes = notesOf(
    container,
    outside.map((entry) => entry.uri!),
    decomposed,
  );
  return inPieces(editedBytes(document, edits), {
    binary: { uri: file, bytes: joinPieces([own, new Uint8Array(start - own.length), ...bytes]) },
    added: { binary: totalLength(bytes), json: fragmentLength(fragments) },
    names,
    notes,
  });
}

type Fragments = { animations: string[]; accessors: string[]; bufferViews: string[] };

/** The JSON entries of the animations, one buffer view each, for a document that has the container's entries before them. */
function layOut(
  container: GltfContainer,
  animations: readonly EncodedAnimation[],
  buffer: number,
  start: number,
): { fragments: Fragments; bytes: Uint8Array[]; names: string[] } {
  const { accessors = [], bufferViews = [], animations: present = [] } = documentOf(container);
  const taken = new Set(present.map(({ name }) => name));
  const fragments: Fragments = { animations: [], accessors: [], bufferViews: [] };
  const bytes: Uint8Array[] = [];
  const names: string[] = [];
  let byteOffset = start;
  for (const animation of animations) {
    const bufferView = bufferViews.length + fragments.bufferViews.length;
    const first = accessors.length + fragments.accessors.length;
    fragments.bufferViews.push(JSON.stringify({ buffer, byteOffset, byteLength: animation.bytes.length }));
    for (const { byteOffset: inView, componentType, normalized, count, type, max } of animation.accessors) {
      // Put together by hand: JSON.stringify took a tenth of all writing.
      fragments.accessors.push(
        `{"bufferView":${bufferView}${inView > 0 ? `,"byteOffset":${inView}` : ''},"componentType":${componentType}` +
          `${normalized ? ',"normalized":true' : ''},"count":${count},"type":"${type}"` +
          `${max ? `,"min":[0],"max":[${max[0]}]` : ''}}`,
      );
    }
    const name = freeName(animation.name || 'animation', taken);
    names.push(name);
    fragments.animations.push(animationJson(animation, name, first));
    bytes.push(animation.bytes);
    byteOffset += animation.bytes.length;
  }
  return { fragments, bytes, names };
}

/** Moves images that are data URIs behind the animations' bytes, and returns the edits that make them buffer views. */
function moveImages(
  container: GltfContainer,
  document: DocumentText,
  buffer: number,
  start: number,
  fragments: Fragments,
  bytes: Uint8Array[],
): Edit[] {
  const { images = [], bufferViews = [] } = documentOf(container);
  const spans = arraySpans(document, 'images');
  return images.flatMap(({ uri, mimeType }, i) => {
    const match = /^data:(image\/[\w.+-]+);base64,/.exec(uri ?? '');
    if (!match) return [];
    const image = Uint8Array.from(atob(uri!.slice(match[0].length)), (character) => character.charCodeAt(0));
    const bufferView = bufferViews.length + fragments.bufferViews.length;
    const byteOffset = start + totalLength(bytes);
    fragments.bufferViews.push(JSON.stringify({ buffer, byteOffset, byteLength: image.length }));
    bytes.push(image, new Uint8Array(align4(image.length) - image.length));
    const { keyStart, end } = memberSpans(document.text, spans[i]!.start).get('uri')!;
    const type = mimeType === undefined ? `,"mimeType":${JSON.stringify(match[1])}` : '';
    return [{ start: keyStart, end, text: `"bufferView":${bufferView}${type}` }];
  });
}

/** The entry in `animations`, for accessors that stand from `firstAccessor` on. */
function animationJson({ channels, extras }: EncodedAnimation, name: string, firstAccessor: number): string {
  const targets = channels.map(
    ({ node, path }, sampler) => `{"sampler":${sampler},"target":{"node":${node},"path":"${path}"}}`,
  );
  const samplers = channels.map(
    ({ input, output }) => `{"input":${firstAccessor + input},"output":${firstAccessor + output}}`,
  );
  const more = extras === undefined ? '' : `,"extras":${JSON.stringify(extras)}`;
  return `{"name":${JSON.stringify(name)},"channels":[${targets.join(',')}],"samplers":[${samplers.join(',')}]${more}}`;
}

function freeName(
  wanted: string,
  taken: Set<string | undefined>,
  numbered: (n: number) => string = (n) => `${wanted}-${n}`,
): string {
  let name = wanted;
  for (let n = 2; taken.has(name); n++) name = numbered(n);
  taken.add(name);
  return name;
}

/** The edits that put translation, rotation and scale in the place of matrices. */
function decompose(document: DocumentText, decomposed: readonly NodeTransform[]): Edit[] {
  if (decomposed.length === 0) return [];
  const nodes = arraySpans(document, 'nodes');
  return decomposed.map(({ node, translation, rotation, scale }) => {
    const { keyStart, end } = memberSpans(document.text, nodes[node]!.start).get('matrix')!;
    const transform = JSON.stringify({ translation: [...translation], rotation: [...rotation], scale: [...scale] });
    return { start: keyStart, end, text: transform.slice(1, -1) };
  });
}

function notesOf(container: GltfContainer, outside: readonly string[], decomposed: readonly NodeTransform[]): Note[] {
  const notes: Note[] = [];
  if (outside.length > 0) {
    notes.push({
      code: 'GLTF_OUTSIDE_FILES',
      severity: 'warning',
      message: `The written file refers to ${outside.length} file${outside.length === 1 ? '' : 's'} that must lie beside it: ${outside.join(', ')}.`,
    });
  }
  for (const { node, isSheared } of decomposed) {
    if (!isSheared) continue;
    notes.push({
      code: 'GLTF_MATRIX_SHEAR',
      severity: 'warning',
      message: 'The node is animated, so its matrix became translation, rotation and scale; its shear is lost.',
      place: { file: container.name, pointer: `/nodes/${node}/matrix` },
    });
  }
  return notes;
}

function fragmentLength(fragments: Fragments): number {
  return Object.values(fragments)
    .flat()
    .reduce((sum, fragment) => sum + fragment.length + 1, 0);
}

function dataUri(pieces: readonly Uint8Array[]): string {
  const bytes = joinPieces(pieces);
  const parts: string[] = [];
  // In steps: a call takes a limited number of arguments. A multiple of three keeps base64 free of padding inside.
  for (let at = 0; at < bytes.length; at += 0x6000) {
    parts.push(btoa(String.fromCharCode(...bytes.subarray(at, at + 0x6000))));
  }
  return `data:application/octet-stream;base64,${parts.join('')}`;
}
