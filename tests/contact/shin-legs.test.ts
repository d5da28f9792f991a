import { describe, expect, it } from 'vitest';
import { feetOfMotion, soleOf } from '../../src/contact/measure-soles.ts';
import { plantFeet } from '../../src/contact/plants.ts';
import { pointTrajectories } from '../../src/contact/trajectories.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import { SIDES } from '../../src/skeleton/side.ts';
import { blockFigure } from '../support/block-figure.ts';
import { buildWalker } from '../support/walker.ts';
import { walkerActor } from '../support/walker-actor.ts';

describe('a leg that ends in its shin', () => {
  it('stands on the end of its shin, and no corner of its sole is in the floor', () => {
    const walker = buildWalker();
    const target = blockFigure();
    const plan = compileRetarget(walkerActor(walker), target);
    const soles = soleOf(target.skeleton, target.body.roles);
    const feet = feetOfMotion(walker.skeleton, walker.clip, walker.roles);
    const { targets, plants } = plantFeet(plan, walker.clip, walker.contacts, soles, feet);
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
