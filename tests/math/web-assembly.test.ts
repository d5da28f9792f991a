import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { startModule } from '../../src/math/web-assembly.ts';
import { compileKernel, KERNELS } from '../scripts/kernels.ts';

describe('WebAssembly modules', () => {
  it.each(KERNELS)('$target is what its source compiles to', { timeout: 120_000 }, async ({ source, target }) => {
    const committed = readFileSync(new URL(`../../${target}`, import.meta.url), 'utf8');
    expect(committed === (await compileKernel(source)), 'npm run build:kernels brings it up to date').toBe(true);
  });

  it('are done without where they cannot be compiled', () => {
    expect(startModule(btoa('no module'))).toBeNull();
  });
});
