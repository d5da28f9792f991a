import { execFileSync } from 'node:child_process';
import { beforeAll, describe, expect, it } from 'vitest';
import { bundle } from '../support/bundle.ts';

/** Bytes a frame. The smallest object of the engine takes 16; reading the heap's size costs 0.15 a frame of a window. */
const NOTHING = 1;

describe('the frame loop', () => {
  let seen: { kinds: number[]; limbs: number; plain: number; led: number; control: number };

  beforeAll(async () => {
    // A process of its own, bundled: a test runner's own work and its imports allocate.
    const file = await bundle('retarget', 'allocation-run');
    // With so much room for young objects nothing is collected while it counts.
    const flags = ['--expose-gc', '--min-semi-space-size=64', '--max-semi-space-size=64'];
    seen = JSON.parse(execFileSync(process.execPath, [...flags, file], { encoding: 'utf8' }));
  });

  it('is measured with joints of each kind, four limbs, and a measure that sees an array a frame', () => {
    expect(seen.kinds).toEqual([0, 1, 2, 3]);
    expect(seen.limbs).toBe(4);
    expect(seen.control).toBeGreaterThan(16);
  });

  it('allocates nothing', () => {
    expect(seen.plain).toBeLessThan(NOTHING);
  });

  it('allocates nothing where limbs are led and hands, feet and toes are turned', () => {
    expect(seen.led).toBeLessThan(NOTHING);
  });
});
