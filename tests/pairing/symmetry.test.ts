import { describe, expect, it } from 'vitest';
import { readFigure } from '../../src/pairing/figure.ts';
import { readNames } from '../../src/pairing/names.ts';
import { findSymmetry } from '../../src/pairing/symmetry.ts';
import { restWorldPose, type Skeleton } from '../../src/skeleton/skeleton.ts';
import { biped, bipedRows, type Row, skeletonFrom } from '../support/biped.ts';
import { bendSkeleton, turnSkeleton } from '../support/skeleton-variants.ts';

const find = (skeleton: Skeleton, names = skeleton.names.map((_, j) => `b${j}`)) =>
  findSymmetry(readFigure(skeleton, restWorldPose(skeleton)), readNames(names));

/** Names of the joints whose partner is not the one of the mirrored name. */
function wrongPartners(skeleton: Skeleton, mirror: Int16Array): string[] {
  return skeleton.names.filter((name, j) => {
    const expected = name.startsWith('left')
      ? name.replace('left', 'right')
      : name.startsWith('right')
        ? name.replace('right', 'left')
        : name;
    return skeleton.names[mirror[j]!] !== expected;
  });
}

describe('findSymmetry', () => {
  const skeleton = biped({ fingers: 5 });

  it('pairs every joint with its mirror image, without names', () => {
    const { mirror, normal, sharpness } = find(skeleton);
    expect(wrongPartners(skeleton, mirror)).toEqual([]);
    expect(Math.abs(normal[0])).toBeCloseTo(1, 6);
    expect(sharpness).toBeCloseTo(1, 6);
  });

  it.each([1, 2, 3])('pairs them in a bent rest pose too (seed %i)', (seed) => {
    // Without fingers: these are all of one length, and in a bent hand nothing tells them apart.
    const bent = turnSkeleton(bendSkeleton(biped(), 8, seed), [1, 2, 3], 77, 12);
    expect(wrongPartners(bent, find(bent).mirror)).toEqual([]);
  });

  it('pairs limbs whose lengths differ by a tenth', () => {
    const rows = bipedRows().map(
      ([name, parent, at]): Row =>
        /^left(LowerLeg|Foot|Toes)$/.test(name)
          ? [name, parent, [at[0], 0.92 - 1.1 * (0.92 - at[1]), at[2]]]
          : [name, parent, at],
    );
    const uneven = skeletonFrom(rows);
    expect(wrongPartners(uneven, find(uneven).mirror)).toEqual([]);
  });

  it('leaves a lone joint beside the body without a partner, and a tail in the middle', () => {
    const rows: Row[] = [...bipedRows(), ['pouch', 'hips', [0.6, 0.9, 0]], ['tail', 'hips', [0, 0.9, -0.2]]];
    const odd = skeletonFrom(rows);
    const { mirror } = find(odd);
    expect(mirror[odd.names.indexOf('pouch')]).toBe(-1);
    expect(mirror[odd.names.indexOf('tail')]).toBe(odd.names.indexOf('tail'));
  });

  it('finds no plane in a chain', () => {
    const line = skeletonFrom([
      ['a', null, [0, 0, 0]],
      ['b', 'a', [0, 1, 0]],
      ['c', 'b', [0, 2, 0]],
    ]);
    expect(find(line).tops).toEqual([]);
    expect(find(line).sharpness).toBe(0);
  });
});
