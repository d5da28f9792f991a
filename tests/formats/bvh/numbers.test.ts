import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { createBvhReader } from '../../../src/formats/bvh/index.ts';
import { oneJoint } from './text.ts';

/** Numbers as the reader takes them from a file of one position channel. */
function readNumbers(texts: string[]): number[] {
  const numbers: number[] = [];
  const reader = createBvhReader('numbers.bvh', { onFrame: ({ values }) => numbers.push(values[0]!) });
  reader.push(new TextEncoder().encode(oneJoint('Xposition', texts.join('\n'), texts.length)));
  reader.finish();
  return numbers;
}

function expectAsParseFloat(texts: string[]): void {
  const numbers = readNumbers(texts);
  expect(numbers).toHaveLength(texts.length);
  texts.forEach((text, i) => {
    if (!Object.is(numbers[i], Number.parseFloat(text))) {
      throw new Error(`${text} was read as ${numbers[i]}, parseFloat gives ${Number.parseFloat(text)}`);
    }
  });
}

const digits = (min: number, max: number) =>
  fc.array(fc.integer({ min: 0, max: 9 }), { minLength: min, maxLength: max }).map((list) => list.join(''));
const sign = fc.constantFrom('', '-', '+');
const mantissa = fc.oneof(
  digits(1, 20),
  fc.tuple(digits(1, 12), digits(0, 12)).map(([whole, decimals]) => `${whole}.${decimals}`),
  digits(1, 20).map((decimals) => `.${decimals}`),
);
const exponent = fc.oneof(
  fc.constant(''),
  fc.tuple(fc.constantFrom('e', 'E'), sign, fc.integer({ min: 0, max: 17 })).map((parts) => parts.join('')),
  fc.tuple(fc.constantFrom('e-', 'E-'), fc.integer({ min: 0, max: 400 })).map((parts) => parts.join('')),
);

describe('numbers equal parseFloat bit for bit', () => {
  it('for any decimal text', () => {
    const text = fc.tuple(sign, mantissa, exponent).map((parts) => parts.join(''));
    fc.assert(
      fc.property(fc.array(text, { minLength: 1, maxLength: 50 }), (texts) => expectAsParseFloat(texts)),
      { numRuns: 2000 },
    );
  });

  it('for any Float64 in its shortest form, with up to 17 digits', () => {
    const value = fc.double({ noNaN: true, noDefaultInfinity: true, min: -3e38, max: 3e38 });
    fc.assert(
      fc.property(fc.array(value, { minLength: 1, maxLength: 50 }), (values) => expectAsParseFloat(values.map(String))),
      { numRuns: 1000 },
    );
  });

  it('for any fixed number of decimals', () => {
    const text = fc
      .tuple(fc.double({ min: -1000, max: 1000, noNaN: true }), fc.integer({ min: 0, max: 12 }))
      .map(([value, decimals]) => value.toFixed(decimals));
    fc.assert(fc.property(fc.array(text, { minLength: 1, maxLength: 50 }), (texts) => expectAsParseFloat(texts)));
  });

  it('half way between two Float64 values and next to it', () => {
    // 2^53 + 1 lies half way; so do 17- and 18-digit numbers made of two neighbours. Ties go to the even one.
    const texts = ['9007199254740993', '9007199254740992.9', '9007199254740993.1', '900719925474099.3e1'];
    for (let k = 0; k < 200; k++) {
      const odd = 2 ** 53 + 2 * k;
      texts.push(String(BigInt(odd) + 1n), `${BigInt(odd) + 1n}.0`, `${BigInt(odd) + 1n}e-20`);
    }
    expectAsParseFloat(texts);
  });

  it('for the spellings that files hold', () => {
    expectAsParseFloat(['-9.9e-17', '.5', '-.5', '+1', '3.', '-0.0', '0', '-0', '1E2', '1e+02', '00012.50', '1e-30']);
    expectAsParseFloat([
      '2.54687e-14',
      '-3.88251e-19',
      '0.1234567890123456',
      '123456789.123456789',
      '1e-323',
      '1e-400',
    ]);
  });
});
