import type { Side } from './side.ts';

/** A time span in which a point rests on the ground. Seconds from the first frame. */
export interface ContactInterval {
  start: number;
  end: number;
  /** 0 to 1. */
  confidence: number;
}

/** What touches the ground when, for both feet; `foot` is the union of heel and ball. */
export type FootContacts = Record<Side, { heel: ContactInterval[]; ball: ContactInterval[]; foot: ContactInterval[] }>;
