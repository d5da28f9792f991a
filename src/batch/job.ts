import type { Note, Place } from '../errors.ts';
import type { Body } from '../pairing/body.ts';
import type { Mapping } from '../pairing/mapping.ts';
import type { BodyConstraints } from '../pairing/read-body.ts';
import type { MeasureId, Unit } from '../proof/thresholds.ts';
import type { BatchSettings } from './settings.ts';

/** A clip of the list. Plain data, as everything here: it crosses to other threads and machines. */
export interface ClipEntry {
  path: string;
  /** In the library, with slashes; an animation of a file with several stands behind a `#`. */
  name: string;
  /** SHA-256 of the file. */
  hash: string;
  bytes: number;
  kind: 'bvh' | 'gltf';
  /** Index of the animation; for BVH 0. */
  animation: number;
  /** Id of its skeleton group. */
  group: string;
}

/** A character that takes the clips. */
export interface CharacterEntry {
  path: string;
  /** As names and tables call it: the file name without extension, distinct in a run. */
  label: string;
  hash: string;
  constraints: BodyConstraints;
}

/** One clip onto one character. */
export interface Job {
  /** What the result depends on, hashed: content of clip and character, pairing, settings, version. */
  key: string;
  clip: ClipEntry;
  character: CharacterEntry;
  /** What a person has corrected for this pair beyond roles. */
  mapping: Mapping;
  /** Name of the animation in the output. */
  animation: string;
  /** Output without extension, relative to the output folder, with slashes. */
  output: string;
}

/** The jobs of one clip, which share its reading, for one worker. */
export interface Task {
  jobs: Job[];
  /** The body of the clip's group; null: each clip is read for itself. */
  body: Body | null;
  settings: BatchSettings;
  /** Absolute. */
  outputFolder: string;
}

export interface MeasureRow {
  id: MeasureId;
  unit: Unit;
  /** Null when it could not be taken. */
  value: number | null;
  threshold: number;
  verdict: 'pass' | 'fail' | 'not measured';
}

/** Where a motion is worst. */
export interface WorstPlace {
  id: MeasureId;
  /** Value over threshold. */
  ratio: number;
  role: string | null;
  joint: string | null;
  frame: number | null;
}

interface JobNames {
  format: 'rigproof-job';
  version: 1;
  key: string;
  clip: string;
  character: string;
  group: string;
}

/** What a job came to, as it is kept beside the outputs. Holds no times: the same job gives the same record. */
export interface DoneRecord extends JobNames {
  status: 'done';
  animation: string;
  frames: number;
  fps: number;
  /** Relative to the output folder. */
  outputs: { file: string; bytes: number }[];
  /** The file that holds the animation together with others; null where it has a file of its own. */
  pack: string | null;
  sheet: string | null;
  verdict: 'pass' | 'fail' | 'not measured';
  counts: { pass: number; fail: number; notMeasured: number };
  measures: MeasureRow[];
  worst: WorstPlace | null;
  /** SVG of the worst moment. */
  picture: string | null;
  warnings: Note[];
}

/** A job that could not be done, because of what it was given. */
export interface FailedRecord extends JobNames {
  status: 'unreadable';
  error: { code: string; message: string; place: Place; hint: string | null };
}

export type JobRecord = DoneRecord | FailedRecord;
