import { readdir, realpath, stat } from 'node:fs/promises';
import { basename, dirname, isAbsolute, join, relative, resolve, sep } from 'node:path';
import { RigproofError } from '../errors.ts';
import { readTextFile } from '../formats/node.ts';
import { globExpression, globRoot, isGlob } from './glob.ts';

/** A file of the library, and its name in it: with slashes, from the folder that was given. */
export interface ListedFile {
  path: string;
  name: string;
}

const CLIP_FILE = /\.(bvh|glb|gltf|vrm)$/i;
/** A list file holds one path, folder or pattern a line; `#` begins a remark. */
const LIST_FILE = /\.(txt|list|lst)$/i;

/**
 * The clips that folders, patterns, list files and single files name, each once, in the order of their names. Single
 * files are named from the deepest folder that they have in common, so that a pattern which the shell has resolved
 * keeps the folders too. What is hidden (a name that begins with a dot) is left out.
 * @param ignored  a folder that is skipped: where the results go
 * @throws RigproofError BATCH_NO_CLIP when something named is not there, or holds no clip
 */
export async function listClips(given: readonly string[], ignored?: string): Promise<ListedFile[]> {
  const found: ListedFile[] = [];
  const single: string[] = [];
  const add = async (entry: string, base: string, depth: number): Promise<void> => {
    const path = isAbsolute(entry) || base === '' ? entry : join(base, entry);
    const info = await stat(path).catch(() => null);
    if (info?.isDirectory()) {
      found.push(...required(await walk(path, path, ignored), path));
    } else if (info && LIST_FILE.test(path)) {
      if (depth > 4) throw noClip(path, 'The list files name one another in a circle.');
      const lines = (await readTextFile(path)).split(/\r?\n/).map((line) => line.trim());
      for (const line of lines) if (line !== '' && !line.startsWith('#')) await add(line, dirname(path), depth + 1);
    } else if (info) {
      single.push(path);
    } else if (isGlob(path)) {
      const pattern = path.split(sep).join('/').replace(/^\.\//, '');
      const root = globRoot(pattern);
      const expression = globExpression(pattern);
      const below = await walk(root, root, ignored).catch(() => []);
      found.push(
        ...required(
          below.filter((file) => expression.test(file.path.split(sep).join('/').replace(/^\.\//, ''))),
          path,
        ),
      );
    } else {
      throw noClip(path, 'There is no such file or folder.');
    }
  };
  for (const entry of given) await add(entry, '', 0);
  const common = commonFolder(single);
  for (const path of single) found.push({ path, name: slashed(relative(common, resolve(path))) });

  const seen = new Set<string>();
  const unique: ListedFile[] = [];
  for (const file of found) {
    const real = await realpath(file.path);
    if (!seen.has(real)) unique.push(file);
    seen.add(real);
  }
  return unique.sort((a, b) => compareText(a.name, b.name) || compareText(a.path, b.path));
}

/** The same order on every machine: by code units, not by the language of the user. */
export function compareText(a: string, b: string): number {
  return a < b ? -1 : a > b ? 1 : 0;
}

async function walk(folder: string, root: string, ignored: string | undefined): Promise<ListedFile[]> {
  const files: ListedFile[] = [];
  for (const entry of await readdir(folder, { withFileTypes: true })) {
    const path = join(folder, entry.name);
    if (entry.name.startsWith('.') || (ignored !== undefined && resolve(path) === resolve(ignored))) continue;
    const info = entry.isSymbolicLink() ? await stat(path).catch(() => null) : entry;
    // A link to a folder is not followed: it may lead in a circle.
    if (info?.isDirectory() && !entry.isSymbolicLink()) files.push(...(await walk(path, root, ignored)));
    else if (info?.isFile() && CLIP_FILE.test(entry.name)) files.push({ path, name: slashed(relative(root, path)) });
  }
  return files;
}

function required(files: ListedFile[], path: string): ListedFile[] {
  if (files.length === 0) throw noClip(path, 'There is no clip here (.bvh, .glb, .gltf, .vrm).');
  return files;
}

function noClip(path: string, message: string): RigproofError {
  return new RigproofError(
    'BATCH_NO_CLIP',
    message,
    { file: path },
    { hint: 'Give folders, files, quoted patterns or a list file (.txt), one path a line.' },
  );
}

function commonFolder(paths: readonly string[]): string {
  const folders = paths.map((path) => dirname(resolve(path)).split(sep));
  const first = folders[0] ?? [];
  let depth = first.length;
  for (const folder of folders) while (first.slice(0, depth).some((part, i) => folder[i] !== part)) depth--;
  return first.slice(0, depth).join(sep) || sep;
}

function slashed(path: string): string {
  return path.split(sep).join('/');
}

/** The label of a file: its name without folder and extension. */
export function stemOf(path: string): string {
  return basename(path).replace(/\.[^.]+$/, '');
}
