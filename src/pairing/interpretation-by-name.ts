import { SIDES, type Side } from '../skeleton/side.ts';
import { commonAncestor, type Figure, treePath } from './figure.ts';
import type { Interpretation } from './interpretation.ts';
import { type LimbChain, type LimbContext, type LimbKind, readLimb } from './limbs.ts';
import { distance, dot, middle, minus, type Point, unit } from './point.ts';
import type { Prior } from './prior.ts';
import { sideOf } from './roles.ts';
import type { Symmetry } from './symmetry.ts';

/** Log evidence that two joints of one limb reach only by names that speak of it, or by a table or a person. */
const SPEAKING_LIMB = 3;
const SPEAKING_HEAD = 2.5;
/** Cosines between limbs, and between limbs and trunk, of a pose that is no posture. */
const LIMBS_ALIKE = 0.9;
const TRUNK_ALIKE = 0.4;

/**
 * Reads a body by names, table and hand alone, for a pose that is no posture and comes without a motion: left and right
 * limbs are those whose names say so, whatever their places. Null when they do not make a whole body.
 */
export function interpretByName(figure: Figure, symmetry: Symmetry, prior: Prior): Interpretation | null {
  const { skeleton, points } = figure;
  const context: LimbContext = { figure, symmetry, prior, height: figure.extent };
  const sides = Array.from({ length: skeleton.jointCount }, (_, j) => sideOfJoint(prior, j));
  const limb = (kind: LimbKind, side: Side): LimbChain | null => {
    let best: LimbChain | null = null;
    for (let j = 0; j < skeleton.jointCount; j++) {
      const parent = skeleton.parents[j]!;
      if (sides[j] !== side || (parent >= 0 && sides[parent] === side)) continue;
      const chain = readLimb(context, j, kind, side);
      if (!chain || (best && chain.score <= best.score)) continue;
      const [upper, lower] = kind === 'arm' ? (['upperArm', 'lowerArm'] as const) : (['upperLeg', 'lowerLeg'] as const);
      const spoken = prior.evidence(chain.upper, upper, side) + prior.evidence(chain.lower, lower, side);
      if (spoken >= SPEAKING_LIMB) best = chain;
    }
    return best;
  };
  const [leftArm, rightArm] = SIDES.map((side) => limb('arm', side));
  const [leftLeg, rightLeg] = SIDES.map((side) => limb('leg', side));
  if (!leftArm || !rightArm || !leftLeg || !rightLeg) return null;
  let head = -1;
  for (let j = 0; j < skeleton.jointCount; j++) {
    const value = prior.evidence(j, 'head', null);
    if (value >= SPEAKING_HEAD && (head < 0 || value > prior.evidence(head, 'head', null))) head = j;
  }
  if (head < 0) return null;
  const settledHips = prior.settled.get('hips');
  const hips = settledHips ?? commonAncestor(skeleton, [leftLeg.upper, rightLeg.upper, head]);
  if (hips < 0 || hips === head) return null;
  const path = treePath(skeleton, hips, head).slice(1, -1);
  let spineEnd = path.indexOf(commonAncestor(skeleton, [leftArm.top, rightArm.top]));
  while (spineEnd > 0 && prior.evidence(path[spineEnd]!, 'neck', null) > 1) spineEnd--;

  const shouldersAt = middle(points[leftArm.upper]!, points[rightArm.upper]!);
  const hipsAt = middle(points[leftLeg.upper]!, points[rightLeg.upper]!);
  const legLength = distance(points[leftLeg.upper]!, points[leftLeg.lower]!);
  const up: Point = unit(minus(shouldersAt, hipsAt));
  return {
    arms: [leftArm, rightArm],
    legs: [leftLeg, rightLeg],
    hips,
    spineChain: path.slice(0, spineEnd + 1),
    neckChain: path.slice(spineEnd + 1),
    head,
    shouldersAt,
    hipsAt,
    anklesAt: null,
    up: up.every((v) => v === 0) ? [0, 1, 0] : up,
    uprightness: -1,
    isByName: true,
    height: 4 * legLength,
    score: leftArm.score + rightArm.score + leftLeg.score + rightLeg.score,
  };
}

/** Whether arms and legs point one way and the trunk rather that way too, as in a pose that is no posture; on four legs it lies across. */
export function liesAlongOneLine({ points }: Figure, body: Interpretation): boolean {
  const trunk = unit(minus(body.shouldersAt, body.hipsAt));
  const bones = [...body.arms, ...body.legs].map(({ upper, lower }) => unit(minus(points[lower]!, points[upper]!)));
  return bones.every((bone) => dot(bone, bones[0]!) > LIMBS_ALIKE && dot(bone, trunk) > TRUNK_ALIKE);
}

/** The side that a joint's name says, or the role that a table or a person gave it. */
function sideOfJoint(prior: Prior, j: number): Side | null {
  for (const [role, joint] of prior.settled) if (joint === j) return sideOf(role);
  return prior.names[j]!.side;
}
