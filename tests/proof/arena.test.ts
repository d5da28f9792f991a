import { describe, expect, it } from 'vitest';
import { createArena, reuse, take } from '../../src/proof/arena.ts';
import { gatherEvidence } from '../../src/proof/evidence.ts';
import { createProofMemory } from '../../src/proof/memory.ts';
import { proofOf, prove } from '../../src/proof/prove.ts';
import { buildWalker } from '../support/walker.ts';

/** Bytes of all that an arena holds. */
const held = ({ chunks }: ReturnType<typeof createArena>): number =>
  chunks.reduce((sum, { byteLength }) => sum + byteLength, 0);

describe('arrays for one figure after the other', () => {
  it('do not touch each other, however long they are', () => {
    const arena = createArena();
    for (let round = 0; round < 3; round++) {
      const lengths = [5, 40_000, 1, 70_000, 0, 30_000, 30_000, 200_000, 7].map((n) => n + round);
      const arrays = lengths.map((length) => take(arena, length));
      arrays.forEach((array, i) => {
        array.fill(i);
      });
      expect(arrays.map(({ length }) => length)).toEqual(lengths);
      arrays.forEach((array, i) => {
        expect(array.every((value) => value === i)).toBe(true);
      });
      reuse(arena);
    }
  });

  it('are laid out again in the same room', () => {
    const arena = createArena();
    const fill = () => [...Array(20)].map(() => take(arena, 6000));
    fill();
    const before = held(arena);
    for (let round = 0; round < 5; round++) {
      reuse(arena);
      fill();
    }
    expect(held(arena)).toBe(before);
  });

  it('do not keep the room of a very long motion', () => {
    const arena = createArena();
    for (let i = 0; i < 50; i++) take(arena, 100_000);
    reuse(arena);
    expect(held(arena)).toBeLessThanOrEqual(8 * 2 ** 20);
  });
});

describe('a memory', () => {
  it('gives long and short targets in turn the proofs that they have alone', () => {
    const memory = createProofMemory();
    const walkers = [3, 1, 2, 4, 1].map((cycles) => buildWalker({ cycles }));
    for (const { skeleton, clip, roles } of walkers) {
      const figure = { skeleton, clip, roles };
      expect(proofOf(gatherEvidence(figure, figure, {}, memory))).toEqual(prove(figure, figure));
    }
  });
});
