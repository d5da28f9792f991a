import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { RigproofError } from '../../../src/errors.ts';
import { createBvhReader, parseBvh } from '../../../src/formats/bvh/index.ts';
import { readBvhFile } from '../../../src/formats/bvh/node.ts';
import { oneJoint, read } from './text.ts';

function errorOf(run: () => unknown): RigproofError {
  try {
    run();
  } catch (error) {
    if (error instanceof RigproofError) return error;
    throw error;
  }
  throw new Error('nothing was thrown');
}

const GOOD = oneJoint('Xposition Yposition Zposition', '1 2 3\n4 5 6', 2);

/** Text, code, line:column, and a part of the message. */
const FAULTS: [name: string, text: string, code: string, place: string, message: string][] = [
  ['an empty file', '', 'BVH_EMPTY', '', 'expected HIERARCHY'],
  ['a file of blank lines', ' \n\r\n\t', 'BVH_EMPTY', '', 'empty'],
  ['another format', 'solid cube', 'BVH_NOT_BVH', '1:1', "Expected HIERARCHY, got 'solid'"],
  ['no ROOT', 'HIERARCHY\nMOTION', 'BVH_NO_ROOT', '2:1', 'Expected a ROOT'],
  ['a JOINT outside a ROOT', 'HIERARCHY\nJOINT a\n{', 'BVH_STRUCTURE', '2:1', 'Expected ROOT, got JOINT'],
  [
    'a ROOT in a ROOT',
    GOOD.replace('End Site', 'ROOT b'),
    'BVH_BRACES',
    '6:3',
    "Expected '}' of hips (opened on line 2)",
  ],
  ['a JOINT in an End Site', GOOD.replace('0 1 0', '0 1 0\nJOINT b {'), 'BVH_STRUCTURE', '9:1', "'}' of the End Site"],
  ['an End Site in an End Site', GOOD.replace('0 1 0', '0 1 0\nEnd Site {'), 'BVH_STRUCTURE', '9:1', 'in a joint'],
  ['an unknown word', GOOD.replace('OFFSET 0 0 0', 'OFSET 0 0 0'), 'BVH_STRUCTURE', '4:3', "got 'OFSET'"],
  [
    'a brace that is not opened',
    GOOD.replace('{', ''),
    'BVH_BRACES',
    '4:3',
    "Expected '{' after ROOT hips, got 'OFFSET'",
  ],
  [
    'a brace that is not closed',
    GOOD.replace('}\nMOTION', 'MOTION'),
    'BVH_BRACES',
    '10:1',
    "Expected '}' of hips (opened on line 2), got MOTION",
  ],
  ['a brace too many', GOOD.replace('}\nMOTION', '}\n}\nMOTION'), 'BVH_BRACES', '11:1', "Unexpected '}'"],
  [
    'an OFFSET cut short',
    GOOD.replace('OFFSET 0 0 0', 'OFFSET 0 0'),
    'BVH_OFFSET',
    '5:3',
    "got 'CHANNELS' as number 3",
  ],
  [
    'an OFFSET that is not finite',
    GOOD.replace('OFFSET 0 0 0', 'OFFSET 0 nan 0'),
    'BVH_OFFSET',
    '4:12',
    "got 'nan' as number 2",
  ],
  ['an OFFSET beyond any length', GOOD.replace('OFFSET 0 0 0', 'OFFSET 0 1e99 0'), 'BVH_OFFSET', '4:12', "got '1e99'"],
  ['no OFFSET', GOOD.replace('    OFFSET 0 1 0\n', ''), 'BVH_OFFSET', '8:3', 'the End Site of hips has no OFFSET'],
  ['two OFFSETs', GOOD.replace('0 1 0', '0 1 0 OFFSET 0 1 0'), 'BVH_OFFSET', '8:18', 'two OFFSETs'],
  [
    'an unknown channel',
    GOOD.replace('Zposition', 'Xscale'),
    'BVH_CHANNEL',
    '5:34',
    "Unknown channel 'Xscale' of hips",
  ],
  [
    'a position channel that comes twice',
    GOOD.replace('Zposition', 'Xposition'),
    'BVH_CHANNEL',
    '5:34',
    'Xposition twice',
  ],
  [
    'fewer channels than announced',
    GOOD.replace('CHANNELS 3', 'CHANNELS 4'),
    'BVH_CHANNEL_COUNT',
    '6:3',
    'announces 4, but after 3',
  ],
  [
    'more channels than announced',
    GOOD.replace('CHANNELS 3', 'CHANNELS 2'),
    'BVH_CHANNEL_COUNT',
    '5:34',
    'announces 2, but Zposition follows',
  ],
  ['a channel count that is none', GOOD.replace('CHANNELS 3', 'CHANNELS -3'), 'BVH_CHANNEL_COUNT', '5:12', "got '-3'"],
  [
    'a gigantic channel count',
    GOOD.replace('CHANNELS 3', 'CHANNELS 99999999999'),
    'BVH_CHANNEL_COUNT',
    '6:3',
    'announces 99999999999',
  ],
  [
    'two CHANNELS lines',
    GOOD.replace('Zposition', 'Zposition CHANNELS 0'),
    'BVH_CHANNEL_COUNT',
    '5:44',
    'two CHANNELS',
  ],
  [
    'an End Site that moves',
    GOOD.replace('0 1 0', '0 1 0 CHANNELS 1 Xposition'),
    'BVH_CHANNEL_COUNT',
    '8:27',
    'cannot move',
  ],
  ['no Frames', GOOD.replace('Frames: 2\n', ''), 'BVH_FRAMES', '12:1', "Expected 'Frames:', got 'Frame'"],
  ['a frame count that is none', GOOD.replace('Frames: 2', 'Frames: -2'), 'BVH_FRAMES', '12:9', "got '-2'"],
  ['a frame count with a fraction', GOOD.replace('Frames: 2', 'Frames: 2.5'), 'BVH_FRAMES', '12:9', "got '2.5'"],
  [
    'no Frame Time',
    GOOD.replace('Frame Time: 0.04\n', ''),
    'BVH_FRAME_TIME',
    '13:1',
    "Expected 'Frame Time:', got '1'",
  ],
  [
    'a Frame Time of nothing',
    GOOD.replace('0.04', '0'),
    'BVH_FRAME_TIME',
    '13:13',
    "expected seconds above 0, got '0'",
  ],
  ['a Frame Time that is no number', GOOD.replace('0.04', '1/30'), 'BVH_FRAME_TIME', '13:13', "got '1/30'"],
  ['a Frame Time that runs backwards', GOOD.replace('0.04', '-0.04'), 'BVH_FRAME_TIME', '13:13', "got '-0.04'"],
  [
    'a word among the values',
    GOOD.replace('4 5', '4 five'),
    'BVH_VALUE',
    '15:3',
    "Expected a number as value 2 of 3 in frame 1, got 'five'",
  ],
  ['a decimal comma', GOOD.replace('4 5', '4 5,25'), 'BVH_VALUE', '15:3', "got '5,25'"],
  ['a number with two points', GOOD.replace('4 5', '4 5.2.5'), 'BVH_VALUE', '15:3', "got '5.2.5'"],
  ['an exponent without digits', GOOD.replace('4 5', '4 5e'), 'BVH_VALUE', '15:3', "got '5e'"],
  ['a sign without a number', GOOD.replace('4 5', '4 -'), 'BVH_VALUE', '15:3', "got '-'"],
  ['a point without a number', GOOD.replace('4 5', '4 .'), 'BVH_VALUE', '15:3', "got '.'"],
  ['two signs', GOOD.replace('4 5', '4 --5'), 'BVH_VALUE', '15:3', "got '--5'"],
  ['a zero byte among the values', GOOD.replace('4 5', '4 \0'), 'BVH_VALUE', '15:3', "got '?'"],
  ['NaN', GOOD.replace('4 5', '4 NaN'), 'BVH_NOT_FINITE', '15:3', "got 'NaN'"],
  ['infinity', GOOD.replace('4 5', '4 -inf'), 'BVH_NOT_FINITE', '15:3', "got '-inf'"],
  ['a NaN as some compilers print it', GOOD.replace('4 5', '4 -1.#IND'), 'BVH_NOT_FINITE', '15:3', "got '-1.#IND'"],
  ['a value beyond Float64', GOOD.replace('4 5', '4 1e999'), 'BVH_NOT_FINITE', '15:3', "got '1e999'"],
  ['a value beyond Float32', GOOD.replace('4 5', '4 -1e39'), 'BVH_NOT_FINITE', '15:3', "got '-1e39'"],
  [
    'a last frame that is short',
    GOOD.replace('4 5 6\n', '4 5\n'),
    'BVH_VALUE_COUNT',
    '15',
    'Frame 1 has 2 values, but the hierarchy declares 3 channels',
  ],
  [
    'values where nothing has a channel',
    oneJoint('', '1 2 3'),
    'BVH_VALUE_COUNT',
    '14:1',
    'no joint of the hierarchy declares a channel',
  ],
  ['a hierarchy cut in a joint', GOOD.slice(0, GOOD.indexOf('End')), 'BVH_TRUNCATED', '6:3', "Expected '}' of hips"],
  ['a file cut after MOTION', GOOD.slice(0, GOOD.indexOf('Frames')), 'BVH_TRUNCATED', '12:1', "Expected 'Frames:'"],
  [
    'a file cut after Frames',
    GOOD.slice(0, GOOD.indexOf('Frame Time')),
    'BVH_TRUNCATED',
    '13:1',
    "Expected 'Frame Time:'",
  ],
  ['a file cut after Frame Time', GOOD.slice(0, GOOD.indexOf('0.04')), 'BVH_TRUNCATED', '', 'after'],
];

describe('bad BVH files are refused with a place and a reason', () => {
  it('refuses none of this where nothing is wrong', () => {
    expect(read(GOOD).notes).toEqual([]);
  });

  it.each(FAULTS)('refuses %s', (_, text, code, place, message) => {
    const error = errorOf(() => read(text));
    expect(error.code).toBe(code);
    const { file, line, column } = error.place;
    expect(file).toBe('test.bvh');
    if (place !== '') expect([line, column].filter((x) => x !== undefined).join(':')).toBe(place);
    expect(error.message).toContain(message);
  });

  it('names the first line that is out of step when the values do not add up', () => {
    const values = Array.from({ length: 20 }, (_, f) => (f === 7 ? '1 2' : '1 2 3')).join('\n');
    const error = errorOf(() => read(oneJoint('Xposition Yposition Zposition', values, 20)));
    expect(error.code).toBe('BVH_VALUE_COUNT');
    expect(error.message).toContain('line 21 (value 2 of 3 in frame 7)');
  });

  it('counts lines over CR, LF and CRLF alike', () => {
    for (const end of ['\r', '\n', '\r\n']) {
      const error = errorOf(() => read(GOOD.replace('4 5', '4 x').replace(/\n/g, end)));
      expect(error.place).toMatchObject({ line: 15, column: 3 });
    }
  });

  it('refuses binary bytes by the first that is no text', () => {
    const error = errorOf(() => parseBvh(Uint8Array.of(0x67, 0x6c, 0x54, 0x46, 2, 0, 0, 0), 'rig.bvh'));
    expect(error.code).toBe('BVH_NOT_TEXT');
    expect(error.place).toMatchObject({ file: 'rig.bvh', line: 1, column: 5 });
  });

  it('refuses UTF-16 with the remedy', () => {
    const error = errorOf(() => parseBvh(Uint8Array.of(0xff, 0xfe, 0x48, 0, 0x49, 0), 'x.bvh'));
    expect(error.code).toBe('BVH_ENCODING');
    expect(error.hint).toContain('UTF-8');
  });

  it('refuses a long stream that is no BVH file at its first kilobyte', () => {
    const reader = createBvhReader('noise.bvh');
    const chunk = new TextEncoder().encode('v 0.1 0.2 0.3\n'.repeat(100));
    expect(errorOf(() => reader.push(chunk)).code).toBe('BVH_NOT_BVH');
  });

  it('refuses a number without end', () => {
    const reader = createBvhReader('x.bvh');
    reader.push(new TextEncoder().encode(oneJoint('Xposition', '')));
    const digits = new Uint8Array(600).fill(49);
    reader.push(digits);
    const error = errorOf(() => reader.push(digits));
    expect(error.code).toBe('BVH_VALUE');
    expect(error.place.line).toBe(15);
  });

  it('refuses more joints than an index holds', () => {
    const count = 32768;
    const joints = 'JOINT a { OFFSET 0 1 0 '.repeat(count);
    const text = `HIERARCHY ROOT a { OFFSET 0 0 0 ${joints}${'}'.repeat(count + 1)}`;
    expect(errorOf(() => read(text)).code).toBe('BVH_JOINT_COUNT');
  });

  it('reads a chain of 30,000 joints', () => {
    const count = 30000;
    const text = `HIERARCHY ROOT a { OFFSET 0 0 0 ${'JOINT a { OFFSET 0 1 0 '.repeat(count - 1)}${'}'.repeat(count)}`;
    expect(read(text).takes[0]!.skeleton.jointCount).toBe(count);
  });

  it('allocates for the frames that are there, not for those announced', () => {
    const { clip } = read(GOOD.replace('Frames: 2', 'Frames: 4000000000')).takes[0]!;
    expect(clip.rotations.buffer.byteLength).toBe(2 * 4 * 4);
    expect(clip.translations.buffer.byteLength).toBe(2 * 3 * 4);
  });
});

describe('reading from disk', () => {
  it('reads a file in chunks as from memory', async () => {
    const folder = mkdtempSync(join(tmpdir(), 'rigproof-bvh-'));
    try {
      const path = join(folder, 'walk.bvh');
      writeFileSync(path, GOOD);
      const file = await readBvhFile(path);
      expect(file.takes[0]!.clip).toEqual({ ...read(GOOD).takes[0]!.clip, name: 'walk' });
      writeFileSync(path, GOOD.replace('4 5', '4 x'));
      await expect(readBvhFile(path)).rejects.toMatchObject({ code: 'BVH_VALUE', place: { file: path, line: 15 } });
    } finally {
      rmSync(folder, { recursive: true });
    }
  });

  it('says that a file is not there', async () => {
    await expect(readBvhFile(join(tmpdir(), 'no', 'such.bvh'))).rejects.toMatchObject({ code: 'BVH_FILE' });
  });
});
