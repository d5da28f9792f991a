import type { ClipEntry, FileEntry } from '../../model/session.ts';

/** The name of a file without its folders and its extension. */
export const stem = (name: string): string => name.replace(/^.*[/\\]/, '').replace(/\.[^.]*$/, '');

/** As the command line names its output: `CHARACTER-CLIP`, with the animation where the file has several. */
export function outputName({ character, clip }: { character: FileEntry; clip: ClipEntry }, extension: string): string {
  const motion = clip.animation === null ? stem(clip.name) : clip.title.replace(/[^\w.-]+/g, '_');
  return `${stem(character.name)}-${motion}${extension}`;
}
