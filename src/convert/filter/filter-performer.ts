import type { Note } from '../../errors.ts';
import type { Performer } from '../performer.ts';
import { resampleClip } from '../resample-clip.ts';
import { closeLoop } from './loop.ts';
import { lowPassClip } from './low-pass.ts';
import { mirrorClip } from './mirror.ts';
import { type FaultyFrames, findGaps, repairClip } from './repair.ts';
import { type TrimOptions, trimClip } from './trim.ts';

/** What is done to a motion before it is retargeted; nothing of it unless asked for. Applied in this order. */
export interface FilterOptions {
  /** Makes up for capture jumps and gaps. */
  repair: boolean;
  /** Cut-off, Hz. */
  lowPass: number | null;
  /** Seconds of the motion, opening rest frames not counted. */
  trim: TrimOptions | null;
  /** Exchanges left and right. */
  mirror: boolean;
  /** Makes the last frame the first one again. */
  loop: boolean;
  /** Frames a second. */
  fps: number | null;
}

export const FILTER_DEFAULTS: Readonly<FilterOptions> = {
  repair: false,
  lowPass: null,
  trim: null,
  mirror: false,
  loop: false,
  fps: null,
};

/**
 * A performer with a filtered motion, and what was done in words. The given one is not touched.
 * @throws RigproofError FILTER_TRIM
 */
export function filterPerformer(
  given: Performer,
  options: Partial<FilterOptions>,
): { performer: Performer; notes: Note[] } {
  const { repair, lowPass, trim, mirror, loop, fps } = { ...FILTER_DEFAULTS, ...options };
  const { actor } = given;
  const notes: Note[] = [];
  let { clip } = given;
  if (repair) {
    const result = repairClip(clip, faultsOf(given));
    clip = result.clip;
    notes.push(...repairNotes(result.repaired, result.left));
  }
  if (lowPass !== null) clip = lowPassClip(clip, { cutoff: lowPass });
  if (trim !== null) clip = trimClip(clip, trim);
  if (mirror) clip = mirrorClip(actor, clip);
  if (loop) clip = closeLoop(clip, actor.skeleton, actor.body.roles.hips === undefined ? [] : [actor.body.roles.hips]);
  if (fps !== null) clip = resampleClip(clip, fps);
  return { performer: clip === given.clip ? given : { ...given, clip }, notes };
}

/** Jumps that were found when the motion was read, and gaps, in frames of the performer's clip. */
function faultsOf({ motion, droppedFrames, clip }: Performer): FaultyFrames[] {
  const jumps = motion.jumps.map(({ from, to }) => ({ first: from - droppedFrames + 1, last: to - droppedFrames - 1 }));
  return [...jumps.filter(({ last }) => last >= 0), ...findGaps(clip)];
}

function repairNotes(repaired: readonly FaultyFrames[], left: readonly FaultyFrames[]): Note[] {
  const frames = (spans: readonly FaultyFrames[]): string =>
    spans
      .slice(0, 6)
      .map(({ first, last }) => `${first} to ${last}`)
      .join(', ');
  const notes: Note[] = [];
  if (repaired.length > 0) {
    const message = `Capture faults made up: frames ${frames(repaired)}${repaired.length > 6 ? ' …' : ''}.`;
    notes.push({ code: 'FILTER_REPAIRED', severity: 'info', message });
  }
  if (left.length > 0) {
    const message = `Capture faults too long to make up, or at an end: frames ${frames(left)}${left.length > 6 ? ' …' : ''}.`;
    notes.push({ code: 'FILTER_NOT_REPAIRED', severity: 'warning', message });
  }
  return notes;
}
