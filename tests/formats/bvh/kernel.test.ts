/** The WebAssembly kernel against its reference, scanner and decoder in TypeScript, and against parseFloat: bit for bit. */
import { createHash } from 'node:crypto';
import { existsSync, readdirSync, readFileSync } from 'node:fs';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { RigproofError } from '../../../src/errors.ts';
import { type BvhFile, createBvhReader, parseBvh } from '../../../src/formats/bvh/index.ts';
import { frameKernel } from '../../../src/formats/bvh/kernel.ts';
import { ValueScanner } from '../../../src/formats/bvh/scanner.ts';

const DATA = new URL('../../../../shared/data/bvh/', import.meta.url);
const kernel = frameKernel()!;

/** What the kernel makes of numbers, and how many of them it took: it leaves the others to the scanner. */
function readNumbers(texts: string[]): { values: number[]; taken: number } {
  const bytes = new TextEncoder().encode(`${texts.join(' ')} `);
  const scanner = new ValueScanner('numbers', 1, 1, 1, 0);
  scanner.setBlock(bytes, 0, 0);
  const values: number[] = [];
  let taken = 0;
  kernel.begin(scanner, bytes, bytes.length, []);
  do {
    for (let count = kernel.readFrames(); count > 0; count = kernel.readFrames()) {
      taken += count;
      for (let f = 0; f < count; f++) values.push(kernel.values[kernel.rowsAt + f * kernel.stride]!);
    }
    if (scanner.readFrame(bytes.length)) values.push(scanner.values[0]!);
  } while (scanner.at < bytes.length);
  return { values, taken };
}

function expectAsParseFloat(texts: string[]): number {
  const { values, taken } = readNumbers(texts);
  expect(values).toHaveLength(texts.length);
  texts.forEach((text, i) => {
    if (!Object.is(values[i], Number.parseFloat(text))) {
      throw new Error(`${text} was read as ${values[i]}, parseFloat gives ${Number.parseFloat(text)}`);
    }
  });
  return taken;
}

const digits = (min: number, max: number) => fc.stringMatching(new RegExp(`^[0-9]{${min},${max}}$`));
const sign = fc.constantFrom('', '-', '+');
const mantissa = fc.oneof(
  digits(1, 20),
  fc.tuple(digits(1, 12), digits(0, 12)).map(([whole, decimals]) => `${whole}.${decimals}`),
  digits(1, 20).map((decimals) => `.${decimals}`),
);
const exponent = fc.oneof(
  fc.constant(''),
  fc.tuple(fc.constantFrom('e', 'E'), sign, fc.integer({ min: 0, max: 15 })).map((parts) => parts.join('')),
  fc.tuple(fc.constantFrom('e-', 'E-'), fc.integer({ min: 0, max: 400 })).map((parts) => parts.join('')),
);

describe('numbers of the kernel equal parseFloat bit for bit', () => {
  it('for any decimal text', () => {
    const text = fc.tuple(sign, mantissa, exponent).map((parts) => parts.join(''));
    fc.assert(
      fc.property(fc.array(text, { minLength: 1, maxLength: 50 }), (texts) => {
        expectAsParseFloat(texts);
      }),
      { numRuns: 2000 },
    );
  });

  it('for any Float64 in its shortest form', () => {
    const value = fc.double({ noNaN: true, noDefaultInfinity: true, min: -1e9, max: 1e9 });
    fc.assert(
      fc.property(fc.array(value, { minLength: 1, maxLength: 50 }), (values) => {
        expectAsParseFloat(values.map(String));
      }),
      { numRuns: 1000 },
    );
  });

  it('for numbers as files hold them, all without the reference', () => {
    const angle = fc.integer({ min: -(10 ** 12), max: 10 ** 12 }).map((n) => n / 1e9);
    const text = fc.oneof(
      fc.tuple(angle, fc.integer({ min: 0, max: 12 })).map(([x, decimals]) => x.toFixed(decimals)),
      fc.tuple(angle, fc.integer({ min: 1, max: 8 })).map(([x, count]) => x.toPrecision(count)),
      fc.tuple(angle, fc.integer({ min: 0, max: 7 })).map(([x, count]) => (x * 1e-7).toExponential(count)),
    );
    fc.assert(
      fc.property(fc.array(text, { minLength: 1, maxLength: 50 }), (texts) => {
        expect(expectAsParseFloat(texts)).toBe(texts.length);
      }),
      { numRuns: 1000 },
    );
    const spellings = ['-9.9e-17', '.5', '-.5', '+1', '3.', '-0.0', '0', '-0', '1E2', '1e+02', '00012.50', '1e-30'];
    const long = ['1234567.89012345', '123456789012.345', '0.12345678901234', '-0.00000000000001'];
    expect(expectAsParseFloat([...spellings, ...long])).toBe(spellings.length + long.length);
  });
});

/** The same file by scanner and decoder: who waits for single frames gets them from there. */
function readByReference(bytes: Uint8Array): BvhFile {
  const reader = createBvhReader('test.bvh', { onFrame: () => {} });
  reader.push(bytes);
  return reader.finish();
}

function outcome(run: () => BvhFile): unknown {
  try {
    const { takes, notes } = run();
    return {
      notes,
      takes: takes.map(({ clip }) => ({
        ...clip,
        rotations: digest(clip.rotations),
        translations: digest(clip.translations),
      })),
    };
  } catch (error) {
    if (error instanceof RigproofError) return { code: error.code, message: error.message, place: error.place };
    throw error;
  }
}

/** 0 and -0 differ, and long arrays are compared in no time. */
function digest(values: Float32Array): string {
  return createHash('sha256').update(values).digest('hex');
}

/** A chain with joints of all kinds: any order of axes, one or two axes, none, position channels. */
const CHANNELS = [
  'Xposition Yposition Zposition Zrotation Xrotation Yrotation',
  'Xrotation Yrotation Zrotation',
  'Yrotation Xrotation Zrotation',
  'Zrotation Yrotation',
  '',
  'Zposition Yrotation Zrotation Xrotation',
  'Xrotation',
];
const CHANNEL_COUNT = CHANNELS.join(' ').trim().split(/ +/).length;

function fileOf(roots: number, values: string, newline = '\n'): Uint8Array {
  const lines = ['HIERARCHY'];
  for (let r = 0; r < roots; r++) {
    CHANNELS.forEach((channels, j) => {
      const count = channels === '' ? 0 : channels.split(' ').length;
      lines.push(`${j === 0 ? 'ROOT' : 'JOINT'} joint${j}`, '{', 'OFFSET 1 2 3', `CHANNELS ${count} ${channels}`);
    });
    lines.push('End Site', '{', 'OFFSET 0 1 0', '}', ...CHANNELS.map(() => '}'));
  }
  lines.push('MOTION', 'Frames: 9', 'Frame Time: 0.04', ...values.split('\n'), '');
  return new TextEncoder().encode(lines.join(newline));
}

/** Frames of angles of which many are quarter turns, where signs of quaternions hang on their last bits. */
function framesOf(roots: number, frames: number, seed: number, perLine = roots * CHANNEL_COUNT): string {
  let state = seed;
  const random = () => {
    state = (state * 48271) % 2147483647;
    return state / 2147483647;
  };
  const texts = Array.from({ length: frames * roots * CHANNEL_COUNT }, () => {
    const kind = random();
    if (kind < 0.3) return String(Math.floor(random() * 9 - 4) * 90);
    if (kind < 0.4) return (1000 * (random() - 0.5)).toFixed(2);
    if (kind < 0.5) return (random() * 1e-9).toExponential(5);
    if (kind < 0.501) return '4.5e13';
    return (360 * (random() - 0.5)).toFixed(Math.floor(random() * 13));
  });
  const lines: string[] = [];
  for (let at = 0; at < texts.length; at += perLine) lines.push(texts.slice(at, at + perLine).join(' '));
  return lines.join('\n');
}

describe('files by the kernel equal those by the reference', () => {
  it('for joints of all kinds, any number of frames, one ROOT and more', () => {
    for (const roots of [1, 3]) {
      for (const frames of [20, 63, 64, 65, 128, 131, 2000]) {
        const bytes = fileOf(roots, framesOf(roots, frames, frames + roots));
        const read = outcome(() => parseBvh(bytes, 'test.bvh'));
        expect(read).toHaveProperty('takes.0.frameCount', frames);
        expect(read).toEqual(outcome(() => readByReference(bytes)));
      }
    }
  });

  it('for lines that end in CR, LF or both, that are empty, and that do not agree with the frames', () => {
    for (const newline of ['\n', '\r\n', '\r', ' \n\n\t ']) {
      for (const perLine of [CHANNEL_COUNT, 7, CHANNEL_COUNT * 2]) {
        const bytes = fileOf(1, framesOf(1, 700, 5, perLine), newline);
        expect(outcome(() => parseBvh(bytes, 'test.bvh'))).toEqual(outcome(() => readByReference(bytes)));
      }
    }
  });

  it('when the file comes in pieces of any size', () => {
    const bytes = fileOf(1, framesOf(1, 700, 7, 11), '\r\n');
    const whole = outcome(() => parseBvh(bytes, 'test.bvh'));
    for (const size of [2500, 4096, 5001, 65536]) {
      const reader = createBvhReader('test.bvh');
      for (let at = 0; at < bytes.length; at += size) reader.push(bytes.slice(at, at + size));
      expect(outcome(() => reader.finish())).toEqual(whole);
    }
  });

  it('when readers take turns', () => {
    const files = [fileOf(1, framesOf(1, 700, 11)), fileOf(2, framesOf(2, 500, 13, 9))];
    const readers = files.map(() => createBvhReader('test.bvh'));
    for (let at = 0; at < 400_000; at += 5000)
      for (const [i, reader] of readers.entries()) reader.push(files[i]!.slice(at, at + 5000));
    readers.forEach((reader, i) => {
      expect(outcome(() => reader.finish())).toEqual(outcome(() => readByReference(files[i]!)));
    });
  });

  it('for faults anywhere: the same code, message and place', () => {
    const values = framesOf(1, 700, 17).split('\n');
    for (const fault of [
      'nan',
      '1,5',
      '9e39',
      '--1',
      '1.2.3',
      '1e',
      'e5',
      '.',
      '-',
      '1.5\u0001',
      '\u00011.5',
      '1 2 3',
    ]) {
      const lines = values.with(
        555,
        values[555]!.replace(/^\S+ \S+ \S+/, (three) => `${three} ${fault}`),
      );
      const bytes = fileOf(1, lines.join('\n'), '\r\n');
      const read = outcome(() => parseBvh(bytes, 'test.bvh'));
      expect(read, fault).toEqual(outcome(() => readByReference(bytes)));
      expect(read, fault).toHaveProperty('code');
    }
  });

  it.skipIf(!existsSync(DATA))('for real clips (needs ../shared/data/bvh)', () => {
    for (const name of readdirSync(DATA).filter((file) => file.endsWith('.bvh'))) {
      const bytes = new Uint8Array(readFileSync(new URL(name, DATA)));
      expect(outcome(() => parseBvh(bytes, 'test.bvh'))).toEqual(outcome(() => readByReference(bytes)));
    }
  });
});
