import { alignFigure } from '../../src/alignment/alignment.ts';
import { readBody } from '../../src/pairing/read-body.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { bipedRows, type Row, skeletonFrom, tipsOf } from './biped.ts';

/** A plain body in its T-pose, with a twist joint halfway along the left forearm and along the left upper arm. */
export function twistedArmActor(): Actor {
  const rows = bipedRows();
  const at = (name: string): Row[2] => rows.find(([n]) => n === name)![2];
  for (const [from, to] of [
    ['leftLowerArm', 'leftHand'],
    ['leftUpperArm', 'leftLowerArm'],
  ] as const) {
    const [a, b] = [at(from), at(to)];
    rows.push([`${from}Twist`, from, [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2, (a[2] + b[2]) / 2]]);
  }
  const skeleton = skeletonFrom(rows, tipsOf(rows));
  const body = readBody({ skeleton });
  return { skeleton, body, alignment: alignFigure(skeleton, body, [0.08, 0.08]) };
}
