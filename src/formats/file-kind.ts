import { RigproofError } from '../errors.ts';

/** Which reader a file needs. A .vrm is a .glb. */
export type FileKind = 'bvh' | 'glb' | 'gltf';

/** Enough of a file to tell its kind. */
export const KIND_BYTES = 512;

/**
 * Tells the kind of a file by how it begins: `glTF` is the magic of a binary glTF (glTF 2.0, section 4.4.2), `{` opens a
 * JSON document, and `HIERARCHY` is the first word of a BVH file (Meredith & Maddock 2001). Byte order marks and blanks
 * before it do not count, nor does the case of the word. Where the beginning says nothing, the extension decides whose
 * reader reports the fault.
 * @param bytes  the file, or its first `KIND_BYTES` or more
 * @throws RigproofError FILE_EMPTY, FILE_KIND
 */
export function fileKind(bytes: Uint8Array, name: string): FileKind {
  if (bytes.length === 0) {
    throw new RigproofError('FILE_EMPTY', 'The file is empty.', { file: name }, { hint: 'Export or copy it again.' });
  }
  const start = String.fromCharCode(...bytes.subarray(0, KIND_BYTES));
  if (start.startsWith('glTF')) return 'glb';
  const text = start.replace(/^\u00EF\u00BB\u00BF/, '').trimStart();
  if (/^HIERARCHY\b/i.test(text)) return 'bvh';
  if (text.startsWith('{')) return 'gltf';
  const extension = /\.(bvh|glb|vrm|gltf)$/i.exec(name)?.[1]?.toLowerCase();
  if (extension) return extension === 'vrm' ? 'glb' : (extension as FileKind);
  const seen = [...text.slice(0, 12)].map((c) => (c >= ' ' && c <= '~' ? c : '·')).join('');
  throw new RigproofError(
    'FILE_KIND',
    `The file begins with "${seen}"; expected a BVH clip (HIERARCHY) or a glTF character (glTF, or JSON).`,
    { file: name },
    { hint: 'Export the motion as .bvh, or the character as .glb, .gltf or .vrm.' },
  );
}
