import { RigproofError } from '../../errors.ts';
import { type Clip, clipDuration } from '../../skeleton/clip.ts';
import { sliceClip } from '../slice-clip.ts';

export interface TrimOptions {
  /** Seconds from the first frame; left out: from the start, to the end. */
  from?: number;
  to?: number;
}

/**
 * The frames of a clip between two times, both ends included. The arrays are views, not copies.
 * @throws RigproofError FILTER_TRIM when the span holds no frame
 */
export function trimClip(clip: Clip, { from = 0, to = Number.POSITIVE_INFINITY }: TrimOptions): Clip {
  // A hair before a frame is the frame: files write the frame time with a few digits, so that 1.5 s may lie at frame 89.998.
  const hair = 0.05;
  const first = Math.max(0, Math.ceil(from / clip.frameDuration - hair));
  const last = Math.min(clip.frameCount - 1, Math.floor(to / clip.frameDuration + hair));
  if (!(first <= last)) {
    throw new RigproofError(
      'FILTER_TRIM',
      `The clip has no frame from ${from} s to ${to} s: it lasts ${clipDuration(clip).toFixed(2)} s.`,
      {},
      { hint: 'Give a start before the end, both within the clip.' },
    );
  }
  return sliceClip(clip, first, last + 1);
}
