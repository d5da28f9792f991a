import type { Alignment } from '../alignment/alignment.ts';
import type { Body } from '../pairing/body.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';

/** One figure, ready to give or take motion: everything is in world space, metres, Y up, facing +Z, floor at y = 0. */
export interface Actor {
  skeleton: Skeleton;
  body: Body;
  alignment: Alignment;
}
