import type { JobRecord } from './job.ts';
import type { BatchSettings } from './settings.ts';

export interface BatchCounts {
  jobs: number;
  pass: number;
  fail: number;
  notMeasured: number;
  /** Jobs that could not be done because of what they were given. */
  unreadable: number;
  /** Jobs that wait: the run was interrupted. */
  missing: number;
  /** Inputs that took part in no job. */
  unusable: number;
}

/** A job in `summary.json`: its record without the picture. */
export type SummaryJob = { output: string } & (
  | Omit<Extract<JobRecord, { status: 'done' }>, 'format' | 'version' | 'picture'>
  | Omit<Extract<JobRecord, { status: 'unreadable' }>, 'format' | 'version'>
  | { status: 'missing'; key: string; clip: string; character: string; group: string }
);

/** `summary.json`. Members may be added; those here keep their meaning. */
export interface BatchSummary {
  format: 'rigproof-batch';
  version: 1;
  /** Version of the program. */
  tool: string;
  counts: BatchCounts;
  settings: BatchSettings;
  characters: { label: string; hash: string }[];
  groups: {
    id: string;
    family: string;
    clips: number;
    joints: number;
    from: string;
    humanoid: boolean;
    doubts: string[];
  }[];
  unusable: { name: string; code: string; message: string }[];
  jobs: SummaryJob[];
}
