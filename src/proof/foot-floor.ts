import { oncePerKey } from '../skeleton/once-per.ts';
import type { Side } from '../skeleton/side.ts';
import type { Evidence } from './evidence.ts';
import type { OnFloor } from './hand-floor.ts';
import { pathOf } from './track.ts';

/**
 * The same for a foot, as it is turned: a source's foot may point down with its ankle on the floor and its tip below it, as those
 * of captures do now and then; the target's need not. Null where the floor is never in the way.
 */
export const footOnFloor = oncePerKey(
  ({ target, source, feet, sharedFrames }: Evidence, side: Side): OnFloor | null => {
    const own = target.limbs[`${side}Leg`];
    const performer = source?.limbs[`${side}Leg`];
    const points = feet[side];
    if (!source || !own || !performer || !points) return null;
    const k = (own.upper + own.lower) / (performer.upper + performer.lower);
    const [root, end] = [pathOf(target, own.root), pathOf(target, own.end)];
    const [srcRoot, srcEnd] = [pathOf(source, performer.root), pathOf(source, performer.end)];
    const paths = [points.heel, points.ball, points.toe].flatMap((point) => (point ? [pathOf(target, point)] : []));
    const stopped = new Uint8Array(sharedFrames);
    const least = new Float64Array(sharedFrames);
    let any = false;
    for (let f = 0, y = 1; f < sharedFrames; f++, y += 3) {
      let lowest = Number.POSITIVE_INFINITY;
      for (const path of paths) if (path[y]! < lowest) lowest = path[y]!;
      // A foot that is in the floor as the source's is where it should be: how deep, another measure tells.
      least[f] = end[y]! - Math.max(0, lowest);
      if (root[y]! + k * (srcEnd[y]! - srcRoot[y]!) >= least[f]!) continue;
      stopped[f] = 1;
      any = true;
    }
    return any ? { stopped, least } : null;
  },
);
