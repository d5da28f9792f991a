import { describe, expect, it } from 'vitest';
import { oncePer, oncePerKey } from '../../src/skeleton/once-per.ts';

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

describe('a function that looks once per object and key', () => {
  it('gives each pair its own answer, also where it is null', () => {
    let looks = 0;
    const find = oncePerKey((list: readonly number[], wanted: number) => {
      looks++;
      return list.includes(wanted) ? { wanted } : null;
    });
    const [one, two] = [[1], [1, 2]];
    expect([find(one, 1), find(one, 2), find(two, 2), find(one, 2)]).toEqual([
      { wanted: 1 },
      null,
      { wanted: 2 },
      null,
    ]);
    expect(looks).toBe(3);
    expect(find(one, 1)).toBe(find(one, 1));
  });
});
