import { batch } from '@preact/signals';
import type { OpenedInfo } from '../worker/protocol.ts';
import type { ClipEntry, Session } from './session.ts';
import { keepFile } from './storage.ts';
import { change, client, openFiles, rejected, session, WorkerFault } from './store.ts';

/** A file that came in, by drop, choice, sample or address. */
export interface Incoming {
  name: string;
  bytes: ArrayBuffer;
}

const isBuffer = (name: string): boolean => /\.bin$/i.test(name);
const newId = (): string => `${Date.now().toString(36)}-${Math.random().toString(36).slice(2, 8)}`;

/**
 * Opens files and puts them where they belong: motions to the clips, a character in the character's place. A glTF
 * file is a motion where a character is already there, it has animations and no mesh. What cannot be read is told and left out.
 */
export async function takeFiles(files: readonly Incoming[]): Promise<void> {
  const companions = files.filter(({ name }) => isBuffer(name));
  const faults: typeof rejected.value = [];
  const opened: { id: string; name: string; info: OpenedInfo }[] = [];
  for (const { name, bytes } of files) {
    if (isBuffer(name) && files.length > companions.length) continue;
    const file = { id: newId(), name, bytes, companions: /\.gltf$/i.test(name) ? companions : [] };
    try {
      const { info } = await client.ask({ type: 'open', file }, 'opened');
      openFiles.add(file.id);
      await keepFile(file);
      opened.push({ id: file.id, name, info });
    } catch (error) {
      if (!(error instanceof WorkerFault)) throw error;
      faults.push({ ...error.fault, place: { ...error.fault.place, file: error.fault.place.file ?? name } });
    }
  }
  batch(() => {
    rejected.value = faults;
    if (opened.length > 0) change('open files', (state) => place(state, opened));
  });
}

function place(state: Session, opened: readonly { id: string; name: string; info: OpenedInfo }[]): Session {
  let { character } = state;
  const clips: ClipEntry[] = [];
  let target = state.target;
  for (const { id, name, info } of opened) {
    if (info.kind === 'clip') {
      clips.push({ id, name, animation: null, title: info.title });
      continue;
    }
    const isMotion =
      info.animations.length > 0 &&
      (!info.hasMesh || (character !== null && opened.length > 1 && character.id !== state.character?.id));
    if (isMotion) {
      info.animations.forEach((animation, i) => {
        clips.push({ id, name, animation: i, title: animation.name });
      });
    } else {
      character = { id, name };
      target = {};
    }
  }
  const all = clips.length > 0 ? [...state.clips, ...clips] : state.clips;
  return { ...state, character, target, clips: all, current: clips.length > 0 ? state.clips.length : state.current };
}

/** The sample scenario's files, which lie beside the app. */
export const SAMPLES = {
  clips: ['night-round.bvh', 'puddle-hop.bvh'],
  characters: ['tamsel.glb', 'bodge.glb', 'oriv.glb', 'pim.glb'],
} as const;

export async function takeSample(clip: string, character: string): Promise<void> {
  const names = [clip, character].filter((name) => {
    const { clips, character: here } = session.value;
    return here?.name !== name && !clips.some((entry) => entry.name === name);
  });
  await takeFiles(await Promise.all(names.map((name) => fetchFile(`samples/${name}`, name))));
}

/** The files that the command line passed along; see `rigproof open`. */
export async function takeServed(): Promise<void> {
  const list = (await (await fetch('files.json')).json()) as { name: string; url: string }[];
  await takeFiles(await Promise.all(list.map(({ name, url }) => fetchFile(url, name))));
}

async function fetchFile(url: string, name: string): Promise<Incoming> {
  const response = await fetch(url);
  if (!response.ok) throw new Error(`${name} could not be fetched (${response.status}).`);
  return { name, bytes: await response.arrayBuffer() };
}

/** Reads what a person dropped or chose. */
export async function takeFileList(list: Iterable<File>): Promise<void> {
  const files = [...list];
  await takeFiles(await Promise.all(files.map(async (file) => ({ name: file.name, bytes: await file.arrayBuffer() }))));
}
