/**
 * All that the engine remembers. Each stage reads what the stages before it have kept, and keeps its own result until what
 * it depends on changes: files → bodies → motion → proof; files that are delivered are not kept.
 */
import type {
  BvhFile,
  Character,
  DracoDecoder,
  Motion,
  PairingReport,
  Performer,
  Proof,
  Receiver,
} from '../../../src/index.ts';

export interface EngineState {
  /** Gives the decoder for compressed meshes; called only when one is met. */
  readonly draco: () => Promise<DracoDecoder>;
  /** By the id that the page gave them. */
  readonly files: Map<string, OpenedFile>;
  performer: Kept<Performer> | null;
  receiver: Kept<Receiver> | null;
  motion: Kept<PairedMotion> | null;
  proven: Kept<Proven> | null;
}

export type OpenedFile =
  | { kind: 'clip'; file: BvhFile }
  /** `withRoot`: with the node above its hips as a joint, once a motion has needed that. */
  | { kind: 'character'; character: Character; withRoot?: Character };

/** A motion on the character, and how sure the pairing behind it is. */
export interface PairedMotion extends Motion {
  pairing: PairingReport;
}

/** The proof of a motion as it would be written, and what draws the sheet of that. */
export interface Proven {
  proof: Proof;
  sheet(): string;
}

/** A value that is kept until its key changes. */
export interface Kept<T> {
  key: string;
  value: T;
}

export function emptyState(draco: () => Promise<DracoDecoder>): EngineState {
  return { draco, files: new Map(), performer: null, receiver: null, motion: null, proven: null };
}

/** What is kept, where it has that key; else made anew. */
export function keptOr<T>(kept: Kept<T> | null, key: string, make: () => T): Kept<T> {
  return kept?.key === key ? kept : { key, value: make() };
}
