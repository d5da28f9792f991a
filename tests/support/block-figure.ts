import { alignFigure } from '../../src/alignment/alignment.ts';
import { restAnkleHeights } from '../../src/alignment/soles.ts';
import type { RoleMap } from '../../src/pairing/roles.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { SIDES } from '../../src/skeleton/side.ts';
import { bipedRows, skeletonFrom } from './biped.ts';
import { bodyOf } from './figure.ts';

/** A figure of blocks: its legs end in their shins, which have a tip on the floor. */
export function blockFigure(): Actor {
  const rows = bipedRows({}).filter(([name]) => !/Foot|Toes/.test(name));
  const bare = skeletonFrom(rows.map((row) => [...row]));
  const roles: RoleMap = Object.fromEntries(bare.names.map((name, j) => [name, j]));
  const knees = SIDES.map((side) => roles[`${side}LowerLeg`]!);
  const heights = new Map(knees.map((j) => [j, heightOf(bare, j)]));
  const skeleton = {
    ...bare,
    tips: [
      ...bare.tips.filter((tip) => !knees.includes(tip.joint)),
      ...knees.map((joint) => ({ joint, offset: [0, -heights.get(joint)!, 0] as [number, number, number] })),
    ],
  };
  const body = bodyOf(skeleton, roles, 1.7);
  return { skeleton, body, alignment: alignFigure(skeleton, body, restAnkleHeights(skeleton, roles, [])) };
}

function heightOf(
  { parents, restTranslations }: { parents: Int16Array; restTranslations: Float64Array },
  joint: number,
) {
  let y = 0;
  for (let j = joint; j >= 0; j = parents[j]!) y += restTranslations[j * 3 + 1]!;
  return y;
}
