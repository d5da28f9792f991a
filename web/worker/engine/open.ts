import {
  type BvhFile,
  fileKind,
  type Note,
  needsNodeAbove,
  openCharacter,
  parseBvh,
  parseContainer,
  type Receiver,
  RigproofError,
  type RootMotion,
} from '../../../src/index.ts';
import type { FileEntry } from '../../model/session.ts';
import type { OpenedInfo, OpenRequest } from '../protocol.ts';
import { stem } from './names.ts';
import type { EngineState, OpenedFile } from './state.ts';

/** Reads a file as what its content says that it is, and keeps it under its id. */
export async function openFile(
  { files, draco }: EngineState,
  { id, name, bytes: buffer, companions }: OpenRequest,
): Promise<{ info: OpenedInfo; notes: Note[] }> {
  const bytes = new Uint8Array(buffer);
  if (fileKind(bytes, name) === 'bvh') {
    const file = parseBvh(bytes, name);
    files.set(id, { kind: 'clip', file });
    const { skeleton, clip } = file.takes[0]!;
    const info = { kind: 'clip', title: stem(name), joints: skeleton.jointCount, frames: clip.frameCount } as const;
    return { info, notes: [...file.notes] };
  }
  const beside = new Map(companions.map((file) => [file.name, new Uint8Array(file.bytes)]));
  const container = parseContainer(bytes, name, (uri) => beside.get(uri.split('/').at(-1)!));
  const character = await openCharacter(container, {}, draco);
  files.set(id, { kind: 'character', character });
  const { skeleton, skins, animations, notes } = character;
  return {
    info: { kind: 'character', joints: skeleton.jointCount, animations, hasMesh: skins.length > 0, humanoid: true },
    notes,
  };
}

/** @throws RigproofError `FILE_KIND` where no BVH file is open under that id */
export function openedClip(state: EngineState, entry: FileEntry): BvhFile {
  return openedAs(state, entry, 'clip').file;
}

/** @throws RigproofError `FILE_KIND` where no character is open under that id */
export function openedCharacter(state: EngineState, entry: FileEntry): OpenedAs<'character'> {
  return openedAs(state, entry, 'character');
}

/** Reads a character anew where a node above its hips has to carry the travel. */
export async function openRoot(
  state: EngineState,
  entry: FileEntry,
  { actor }: Receiver,
  rootMotion: RootMotion,
): Promise<void> {
  if (!needsNodeAbove(actor, rootMotion)) return;
  const opened = openedCharacter(state, entry);
  const { container, referencePose } = opened.character;
  const options = { nodeAbove: true, referencePose: referencePose.kind };
  opened.withRoot = await openCharacter(container, options, state.draco);
}

type OpenedAs<K extends OpenedFile['kind']> = Extract<OpenedFile, { kind: K }>;

function openedAs<K extends OpenedFile['kind']>({ files }: EngineState, { id, name }: FileEntry, kind: K): OpenedAs<K> {
  const file = files.get(id);
  if (file?.kind === kind) return file as OpenedAs<K>;
  throw new RigproofError(
    'FILE_KIND',
    `${name} is not open as a ${kind}.`,
    { file: name },
    { hint: 'Drop the file again.' },
  );
}
