import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { RigproofError } from '../../../src/errors.ts';
import { type BvhFile, createBvhReader, parseBvh } from '../../../src/formats/bvh/index.ts';

const TEXT = `\ufeffHIERARCHY
ROOT hüfte links
{
  OFFSET 0 0 0
  CHANNELS 6 Xposition Yposition Zposition Zrotation Xrotation Yrotation
  JOINT chest
  {
    OFFSET 0 10 0
    CHANNELS 2 Zrotation Yrotation
    End Site
    {
      OFFSET 0 5 0
    }
  }
}
MOTION
Frames: 4
Frame Time: 0.0333
4.5 -5.123456 .6e1 10.123456789012 20 30 -40.25 50
7 8 9 -9.93923e-17 21 31 41 51
7 8
9 11 -0.0 31 41 51 7 8 9 +11 21.5 31 41 170.55`;
const BYTES = new TextEncoder().encode(TEXT.replace(/\n/g, '\r\n'));

function readInChunks(bytes: Uint8Array, cuts: number[]): BvhFile {
  const reader = createBvhReader('split.bvh');
  let from = 0;
  for (const cut of [...cuts.toSorted((a, b) => a - b), bytes.length]) {
    reader.push(bytes.slice(from, cut));
    from = cut;
  }
  return reader.finish();
}

function outcome(run: () => BvhFile): unknown {
  try {
    return run();
  } catch (error) {
    if (error instanceof RigproofError) return { code: error.code, message: error.message, place: error.place };
    throw error;
  }
}

describe('a file that comes in chunks', () => {
  const whole = parseBvh(BYTES, 'split.bvh');

  it('has four frames when whole', () => {
    expect(whole.takes[0]!.clip.frameCount).toBe(4);
    expect(whole.notes.map((note) => note.code)).toEqual(['BVH_FRAMES_WRAPPED', 'BVH_FRAME_RATE']);
  });

  it('is read alike wherever one cut falls', () => {
    for (let cut = 0; cut <= BYTES.length; cut++) expect(readInChunks(BYTES, [cut])).toEqual(whole);
  });

  it('is read alike byte by byte', () => {
    expect(
      readInChunks(
        BYTES,
        Array.from({ length: BYTES.length }, (_, k) => k),
      ),
    ).toEqual(whole);
  });

  it('is read alike wherever several cuts fall', () => {
    const cuts = fc.array(fc.integer({ min: 0, max: BYTES.length }), { maxLength: 12 });
    fc.assert(
      fc.property(cuts, (list) => {
        expect(readInChunks(BYTES, list)).toEqual(whole);
      }),
      { numRuns: 300 },
    );
  });

  it('fails alike, with the same place, wherever the cut falls', () => {
    for (const [from, to] of [
      ['21 31', '21 x1'],
      ['OFFSET 0 10', 'OFFSET 0 !'],
      ['170.55', ''],
    ] as const) {
      const bytes = new TextEncoder().encode(TEXT.replace(from, to));
      const expected = outcome(() => parseBvh(bytes, 'split.bvh'));
      expect(expected).toHaveProperty('code');
      for (let cut = 0; cut <= bytes.length; cut += 3) {
        expect(outcome(() => readInChunks(bytes, [cut]))).toEqual(expected);
      }
    }
  });
});

describe('a live consumer', () => {
  it('gets the hierarchy before the first frame and each frame as soon as it is complete', () => {
    const events: string[] = [];
    const reader = createBvhReader('live.bvh', {
      onHierarchy: ([skeleton], frameDuration) => events.push(`${skeleton!.names.join()} ${frameDuration}`),
      onFrame: ({ index, values }) => events.push(`${index}: ${values[0]}`),
    });
    const end = BYTES.indexOf(0x0d, BYTES.length - 120);
    for (let k = 0; k < BYTES.length; k++) {
      reader.push(BYTES.subarray(k, k + 1));
      if (k === end) expect(events.length).toBeGreaterThan(1);
    }
    expect(events).toEqual(['hüfte links,chest 0.0333', '0: 4.5', '1: 7', '2: 7']);
    reader.finish();
    expect(events.at(-1)).toBe('3: 7');
  });

  it('gets the poses that the clip holds, also when frames are not kept', () => {
    const { clip } = parseBvh(BYTES, 'x').takes[0]!;
    for (const keepFrames of [true, false]) {
      const rotations: number[] = [];
      const translations: number[] = [];
      const reader = createBvhReader('live.bvh', {
        keepFrames,
        onFrame: (frame) => {
          rotations.push(...frame.rotations[0]!);
          translations.push(...frame.translations[0]!);
        },
      });
      reader.push(BYTES);
      const file = reader.finish();
      expect(rotations).toEqual([...clip.rotations]);
      expect(translations).toEqual([...clip.translations]);
      expect(file.takes[0]!.clip.frameCount).toBe(keepFrames ? 4 : 0);
      expect(file.takes[0]!.clip.rotations).toHaveLength(keepFrames ? clip.rotations.length : 0);
    }
  });
});
