import { alignFigure } from '../../src/alignment/alignment.ts';
import { restAnkleHeights } from '../../src/alignment/soles.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { bodyOf } from './figure.ts';
import type { Walker } from './walker.ts';

/** The walker as a figure that gives motion. */
export function walkerActor({ skeleton, roles, legLength }: Walker): Actor {
  const body = bodyOf(skeleton, roles, 2.1 * legLength);
  return { skeleton, body, alignment: alignFigure(skeleton, body, restAnkleHeights(skeleton, roles, [])) };
}
