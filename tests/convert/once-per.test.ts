import { describe, expect, it } from 'vitest';
import { oncePer } from '../../src/convert/once-per.ts';

describe('a function that looks once per object', () => {
  it('gives each object its own answer, and the same one again', () => {
    let looks = 0;
    const sizeOf = oncePer(({ length }: readonly number[]) => ({ length, look: ++looks }));
    const [two, three] = [
      [1, 2],
      [1, 2, 3],
    ];
    expect([sizeOf(two!), sizeOf(three!), sizeOf(two!)]).toEqual([
      { length: 2, look: 1 },
      { length: 3, look: 2 },
      { length: 2, look: 1 },
    ]);
    expect(sizeOf(two!)).toBe(sizeOf(two!));
  });
});
