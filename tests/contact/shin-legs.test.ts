import { describe, expect, it } from 'vitest';
import { alignFigure } from '../../src/alignment/alignment.ts';
import { restAnkleHeights } from '../../src/alignment/soles.ts';
import { plantFeet } from '../../src/contact/plants.ts';
import { pointTrajectories, soleOf, soleOfMotion } from '../../src/contact/sole.ts';
import type { RoleMap } from '../../src/pairing/roles.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retargeter.ts';
import { SIDES } from '../../src/skeleton/side.ts';
import { bipedRows, skeletonFrom } from '../support/biped.ts';
import { bodyOf } from '../support/figure.ts';
import { buildWalker } from '../support/walker.ts';
import { walkerActor } from '../support/walker-actor.ts';

/** A figure of blocks: its legs end in their shins, which have a tip on the floor. */
function blockFigure() {
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

describe('a leg that ends in its shin', () => {
  it('stands on the end of its shin, and no corner of its sole is in the floor', () => {
    const walker = buildWalker();
    const target = blockFigure();
    const plan = compileRetarget(walkerActor(walker), target);
    const soles = soleOf(target.skeleton, target.body.roles);
    const sourceSoles = soleOfMotion(walker.skeleton, walker.clip, walker.roles);
    const { targets, plants } = plantFeet(plan, walker.clip, walker.contacts, soles, sourceSoles);
    const clip = retargetClip(plan, walker.clip, targets);
    expect(plants.length).toBeGreaterThan(8);
    for (const side of SIDES) {
      const { joint, rear, front } = soles[side];
      const tip = target.skeleton.tips.find((one) => one.joint === joint)!.offset;
      const [ends, rears, fronts] = pointTrajectories(target.skeleton, clip, joint, [[...tip], rear, front]);
      // m. The shin is followed in three rounds.
      for (let at = 1; at < rears!.length; at += 3) expect(Math.min(rears![at]!, fronts![at]!)).toBeGreaterThan(-0.002);
      for (const { start, end, position, side: own } of plants) {
        if (own !== side) continue;
        for (let f = Math.round(start / clip.frameDuration); f <= Math.round(end / clip.frameDuration); f++) {
          expect(Math.abs(ends![f * 3]! - position[0])).toBeLessThan(1e-4);
          expect(Math.abs(ends![f * 3 + 2]! - position[2])).toBeLessThan(1e-4);
        }
      }
    }
  });
});
