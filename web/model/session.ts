import type { Mapping, MappingSide, RootMotion } from '../../src/index.ts';

/** A file that the session works on; its bytes are kept elsewhere, under `id`. */
export interface FileEntry {
  id: string;
  /** As the user named it. */
  name: string;
}

/** A motion: a BVH file, or one animation of a glTF file. */
export interface ClipEntry extends FileEntry {
  /** Index of the animation; null for a BVH file. */
  animation: number | null;
  /** What the list shows: the name of the file or of the animation. */
  title: string;
}

export type Axis = '+X' | '-X' | '+Y' | '-Y' | '+Z' | '-Z';

/** What a person has said about the space of a file where it was measured wrongly. */
export interface Corrections {
  up?: Axis;
  facing?: Axis;
  /** Metres a unit. */
  unit?: number;
  /** Frames a second. */
  fps?: number;
  keepRestFrames?: boolean;
}

/** How the motion is put onto the character. */
export interface Options {
  contact: boolean;
  /** Hands that rest on the body or the floor do so on the character. */
  hands: boolean;
  /** Seconds that a foot takes into and out of its plant. */
  ramp: number;
  rootMotion: RootMotion;
  /** Bring joints back into the published ranges of motion. */
  enforceRanges: boolean;
  /** Per cent by which a limb may grow to reach. */
  allowStretch: number;
  poles: boolean;
  repair: boolean;
  /** Cut-off in Hz; null for none. */
  lowPass: number | null;
  /** Seconds; null for the clip's own ends. */
  from: number | null;
  to: number | null;
  mirror: boolean;
  loop: boolean;
  keepAllKeys: boolean;
  int16: boolean;
}

/** Everything that a person decided: plain data, kept in the list of states that undo walks, and across reloads. */
export interface Session {
  character: FileEntry | null;
  clips: ClipEntry[];
  /** Index into `clips` of the one that is shown. */
  current: number;
  /** Decisions about the character's joints. */
  target: MappingSide;
  /** Decisions about a clip's joints, by its file. */
  sources: { [file: string]: MappingSide };
  /** Decisions about the space of a file, by file. */
  spaces: { [file: string]: Corrections };
  limbs: NonNullable<Mapping['limbs']>;
  corrections: NonNullable<Mapping['corrections']>;
  chains: NonNullable<Mapping['chains']>;
  options: Options;
}

export const OPTIONS: Options = {
  contact: true,
  hands: true,
  ramp: 0.2,
  rootMotion: 'keep',
  enforceRanges: false,
  allowStretch: 0,
  poles: false,
  repair: false,
  lowPass: null,
  from: null,
  to: null,
  mirror: false,
  loop: false,
  keepAllKeys: false,
  int16: false,
};

export const EMPTY_SESSION: Session = {
  character: null,
  clips: [],
  current: 0,
  target: {},
  sources: {},
  spaces: {},
  limbs: {},
  corrections: {},
  chains: [],
  options: OPTIONS,
};

export function currentClip(session: Session): ClipEntry | null {
  return session.clips[session.current] ?? null;
}
