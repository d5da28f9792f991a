import { describe, expect, it } from 'vitest';
import { quantile } from '../../src/contact/motion.ts';
import { seeded } from '../support/figure.ts';

describe('quantile', () => {
  it('is the value at its place in the sorted values, of as many as are asked for', () => {
    const random = seeded(11);
    for (let run = 0; run < 300; run++) {
      const count = 1 + Math.floor(random() * 40);
      // Few different values: equal ones have to be passed over too.
      const values = Float64Array.from({ length: count + 3 }, () => Math.floor(random() * (run % 2 ? 5 : 1000)));
      const share = random();
      const sorted = [...values.subarray(0, count)].sort((a, b) => a - b);
      expect(quantile(values, count, share)).toBe(sorted[Math.round(share * (count - 1))]);
    }
  });

  it('is 0 where there is nothing', () => {
    expect(quantile(new Float64Array(3), 0, 0.5)).toBe(0);
  });
});
