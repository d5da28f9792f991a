import { oncePerKey } from '../skeleton/once-per.ts';
import type { Side } from '../skeleton/side.ts';
import type { Evidence } from './evidence.ts';
import { lowestOf } from './low-parts.ts';
import { pathOf } from './track.ts';

/** Where a hand that went where the source's goes would be in the floor. */
export interface OnFloor {
  /** 1 where the floor stops it. */
  stopped: Uint8Array;
  /** Height of the wrist at which the hand, as it is turned, lies on the floor; a frame, metres. */
  least: Float64Array;
}

/** A hand that would be in the floor by no more than this (share of leg length) is there by rounding. */
const NOTHING = 1e-3;

/** Null where the floor is never in the way, and without a source. */
export const handOnFloor = oncePerKey(({ target, source, sharedFrames }: Evidence, side: Side): OnFloor | null => {
  const own = target.limbs[`${side}Arm`];
  const performer = source?.limbs[`${side}Arm`];
  const lowest = lowestOf(target, `${side}Hand`);
  if (!source || !own || !performer || !lowest) return null;
  const its = lowestOf(source, `${side}Hand`);
  const k = (own.upper + own.lower) / (performer.upper + performer.lower);
  const [root, end] = [pathOf(target, own.root), pathOf(target, own.end)];
  const [srcRoot, srcEnd] = [pathOf(source, performer.root), pathOf(source, performer.end)];
  const stopped = new Uint8Array(sharedFrames);
  const least = new Float64Array(sharedFrames);
  let any = false;
  for (let f = 0, y = 1; f < sharedFrames; f++, y += 3) {
    // What the source itself has in the floor the target may have there too.
    const sunk = its ? Math.max(0, -its.heights[f]! / source.legLength) * target.legLength : 0;
    least[f] = end[y]! - lowest.heights[f]! - sunk;
    const goal = root[y]! + k * (srcEnd[y]! - srcRoot[y]!);
    if (lowest.far[f] || goal > least[f]! - NOTHING * target.legLength) continue;
    stopped[f] = 1;
    any = true;
  }
  return any ? { stopped, least } : null;
});
