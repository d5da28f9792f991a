import { describe, expect, it } from 'vitest';
import type { ProofFigure, Where } from '../../src/proof/measure.ts';
import { prove } from '../../src/proof/prove.ts';
import type { Clip } from '../../src/skeleton/clip.ts';
import { moved, turned } from '../support/altered-clip.ts';
import { axisAngle, product } from '../support/quat.ts';
import { buildWalker } from '../support/walker.ts';

const walker = buildWalker();
const { skeleton, roles } = walker;
const RADIANS = Math.PI / 180;
const AT = 77;
const ELSEWHERE = 120;

/** The walker with a joint turned by some degrees in one frame, as a fault of the capture does. */
function faulty(joint: number, degrees: number): ProofFigure {
  return { skeleton, roles, clip: turned(walker.clip, joint, [AT, AT], [0, 1, 0], degrees * RADIANS) };
}

/** The same motion with another joint turned besides, in one frame. */
function withTurn(
  { clip, ...figure }: ProofFigure,
  joint: number,
  frame: number,
  degrees: number,
  axis: [number, number, number] = [0, 1, 0],
): ProofFigure {
  const rotations = clip.rotations.slice();
  const at = (frame * clip.jointCount + joint) * 4;
  rotations.set(product(axisAngle(...axis, degrees * RADIANS), rotations.subarray(at, at + 4)), at);
  return { ...figure, clip: { ...clip, rotations } as Clip };
}

function pops(target: ProofFigure, source: ProofFigure): { value: number; where: Where[] } {
  const { value, where } = prove(target, source).measures.find(({ id }) => id === 'pops')!;
  return { value: value!, where };
}

describe('where a fault of the capture turns a leg in one frame', () => {
  // 30 degrees at 60 frames a second: 216,000 degrees a second squared.
  const source = faulty(roles.rightUpperLeg!, 30);

  it('does not call it a pop that its foot does not follow', () => {
    expect(pops(withTurn(source, roles.rightFoot!, AT, -40), source).where).toEqual([]);
  });

  it.each([
    ['the same pop elsewhere', 'rightFoot', ELSEWHERE, 40, 40],
    ['the same pop of the other foot', 'leftFoot', AT, 40, 40],
    // Of 70 degrees half as much again as the fault’s 30 are its own.
    ['what goes beyond the fault', 'rightFoot', AT, 70, 25],
    ['a pop of an arm', 'rightLowerArm', AT, 20, 20],
  ] as const)('finds %s, and its size', (_, role, frame, degrees, size) => {
    const found = pops(withTurn(source, roles[role]!, frame, -degrees), source);
    expect(found.where[0]).toMatchObject({ role, worstFrame: frame });
    expect(found.value / size).toBeCloseTo(1, 1);
  });

  it('does not look whether its joints keep their ranges there, but elsewhere', () => {
    const range = (frame: number) =>
      prove(withTurn(source, roles.rightFoot!, frame, 120, [1, 0, 0]), source).measures.find(
        ({ id }) => id === 'range-of-motion',
      )!;
    expect(range(AT)).toMatchObject({ verdict: 'pass', value: 0 });
    expect(range(ELSEWHERE).where).toMatchObject([{ role: 'rightFoot', worstFrame: ELSEWHERE }]);
  });

  it('takes what a leg may do for no fault', () => {
    // 108,000 degrees a second squared.
    const quick = faulty(roles.rightUpperLeg!, 15);
    expect(pops(withTurn(quick, roles.rightFoot!, AT, -20), quick).where).toMatchObject([
      { role: 'rightFoot', worstFrame: AT },
    ]);
  });
});

describe('jumps of toes that the source does not have', () => {
  const { leftToes, rightToes, ...toeless } = roles;
  const source = { ...faulty(roles.rightFoot!, 20), roles: toeless };
  const target = faulty(roles.rightFoot!, 20);
  const jumps = (figure: ProofFigure) => prove(figure, source).measures.find(({ id }) => id === 'jumps')!;

  it('are those of its foot that turns', () => {
    expect(jumps(target)).toMatchObject({ verdict: 'pass', where: [] });
  });

  it('are found where the foot does not turn', () => {
    const clip = moved({ ...walker, clip: target.clip }, rightToes!, (f) =>
      f === ELSEWHERE ? [0, 0.06, 0] : [0, 0, 0],
    );
    const found = jumps({ ...target, clip });
    expect(found.where).toMatchObject([{ role: 'rightToes', worstFrame: ELSEWHERE }]);
    expect((found.value! * walker.legLength) / 0.06).toBeCloseTo(1, 1);
  });
});
