import { expect, it, vi } from 'vitest';
import { parseMapping } from '../../src/pairing/mapping-file.ts';

it('reads a mapping without compiling code, as a strict Content-Security-Policy asks', () => {
  const compile = vi.spyOn(globalThis, 'Function');
  const text = '{"format": "rigproof-mapping", "version": 1, "target": {"roles": {"hips": "Root"}}}';
  expect(parseMapping(text, 'hero.map.json').target?.roles?.hips).toBe('Root');
  expect(compile).not.toHaveBeenCalled();
});
