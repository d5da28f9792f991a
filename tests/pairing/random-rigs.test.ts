import { describe, expect, it } from 'vitest';
import { readBody } from '../../src/pairing/read-body.ts';
import { REQUIRED_ROLES } from '../../src/pairing/roles.ts';
import type { Skeleton } from '../../src/skeleton/skeleton.ts';
import { randomBiped } from '../support/random-biped.ts';

const SEEDS = Array.from({ length: 30 }, (_, i) => i + 1);
/** Share of required roles that shape alone gets right; 0.95 over 300 seeds, and twist joints without names stay a guess. */
const BLIND_SHARE = 0.9;

/** Required roles whose joint is not the one named for them, in a body whose sides are known; `spine1` is a first of many. */
function wrongRoles(skeleton: Skeleton, names: readonly string[]): string[] {
  const { roles } = readBody({ skeleton });
  return REQUIRED_ROLES.filter((role) => {
    const expected = role === 'spine' && names.includes('spine1') ? 'spine1' : role;
    const joint = roles[role];
    return (joint === undefined ? null : names[joint]) !== (names.includes(expected) ? expected : null);
  });
}

describe('random rigs', () => {
  it('get every required role right with names, however they are built, posed, turned and scaled', () => {
    for (const seed of SEEDS) {
      const skeleton = randomBiped(seed);
      expect(wrongRoles(skeleton, skeleton.names), `seed ${seed}`).toEqual([]);
    }
  });

  it('get nine of ten required roles right without', () => {
    let wrong = 0;
    for (const seed of SEEDS) {
      const skeleton = randomBiped(seed);
      wrong += wrongRoles({ ...skeleton, names: skeleton.names.map((_, j) => `n${j}`) }, skeleton.names).length;
    }
    expect(1 - wrong / (SEEDS.length * REQUIRED_ROLES.length)).toBeGreaterThan(BLIND_SHARE);
  });
});
