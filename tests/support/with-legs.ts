import { alignFigure } from '../../src/alignment/alignment.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { SIDES } from '../../src/skeleton/side.ts';
import { figure } from './figure.ts';

/** The figure with other thighs and shins, by factors of 0.41 m; its feet hang where its shins end, 8 cm over the floor. */
export function withLegs(thighs: number, shins: number): Actor {
  const { skeleton, body } = figure();
  const restTranslations = skeleton.restTranslations.slice();
  for (const side of SIDES)
    for (const [joint, factor] of [
      [body.roles[`${side}LowerLeg`]!, thighs],
      [body.roles[`${side}Foot`]!, shins],
    ] as const)
      for (let k = 0; k < 3; k++) restTranslations[joint * 3 + k]! *= factor;
  restTranslations[body.roles.hips! * 3 + 1]! += 0.41 * (thighs + shins - 2);
  const own = { ...skeleton, restTranslations };
  return { skeleton: own, body, alignment: alignFigure(own, body, [0.08, 0.08]) };
}
