import { describe, expect, it } from 'vitest';
import { type BvhFile, parseBvh } from '../../../src/formats/bvh/index.ts';
import { angleBetweenQuats, axisAngleQuat, mulQuat } from '../../../src/math/quat.ts';
import { codes, oneJoint, read } from './text.ts';

const RADIANS = Math.PI / 180;
/** rad. A Float32 quaternion is off by up to 6e-8 a component. */
const ROTATION_TOLERANCE = 3e-7;

const ARM = `HIERARCHY
ROOT hips
{
  OFFSET 1 2 3
  CHANNELS 6 Xposition Yposition Zposition Zrotation Xrotation Yrotation
  JOINT chest
  {
    OFFSET 0 10 0
    CHANNELS 3 Zrotation Yrotation Xrotation
    End Site
    {
      OFFSET 0 5 0
    }
  }
}
MOTION
Frames: 2
Frame Time: 0.04
4 5 6 10 20 30 40 50 60
7 8 9 11 21 31 41 51 61
`;

/** Turns about X, Y or Z in degrees, multiplied from left to right. */
function product(turns: [axis: 'X' | 'Y' | 'Z', degrees: number][]): Float64Array {
  const q = Float64Array.of(0, 0, 0, 1);
  const turn = new Float64Array(4);
  for (const [axis, degrees] of turns) {
    axisAngleQuat(turn, 0, Number(axis === 'X'), Number(axis === 'Y'), Number(axis === 'Z'), degrees * RADIANS);
    mulQuat(q, 0, q, 0, turn, 0);
  }
  return q;
}

function expectRotation(file: BvhFile, frame: number, joint: number, expected: ArrayLike<number>): void {
  const { rotations, jointCount } = file.takes[0]!.clip;
  const at = (frame * jointCount + joint) * 4;
  expect(angleBetweenQuats(rotations, at, expected, 0)).toBeLessThan(ROTATION_TOLERANCE);
  expect(Math.hypot(...rotations.subarray(at, at + 4))).toBeCloseTo(1, 6);
}

function expectSameMotion(file: BvhFile, reference = read(ARM)): void {
  expect(file.takes[0]!.clip).toEqual({ ...reference.takes[0]!.clip, name: 'test' });
  expect(file.takes[0]!.skeleton).toEqual(reference.takes[0]!.skeleton);
}

describe('what a BVH file means', () => {
  it('multiplies the rotation channels of a joint in file order', () => {
    const file = read(ARM);
    expect(file.notes).toEqual([]);
    expectRotation(
      file,
      0,
      0,
      product([
        ['Z', 10],
        ['X', 20],
        ['Y', 30],
      ]),
    );
    expectRotation(
      file,
      1,
      1,
      product([
        ['Z', 41],
        ['Y', 51],
        ['X', 61],
      ]),
    );
  });

  it('reads every order of three axes, also in one file', () => {
    for (const order of ['XYZ', 'XZY', 'YXZ', 'YZX', 'ZXY', 'ZYX'] as const) {
      const channels = [...order].map((axis) => `${axis}rotation`).join(' ');
      const [a, b, c] = order as unknown as ['X', 'Y', 'Z'];
      expectRotation(
        read(oneJoint(channels, '-35 170 260')),
        0,
        0,
        product([
          [a, -35],
          [b, 170],
          [c, 260],
        ]),
      );
    }
  });

  it('reads one channel, two channels and an axis that comes twice', () => {
    expectRotation(read(oneJoint('Yrotation', '75')), 0, 0, product([['Y', 75]]));
    expectRotation(
      read(oneJoint('Zrotation Xrotation', '75 -20')),
      0,
      0,
      product([
        ['Z', 75],
        ['X', -20],
      ]),
    );
    expectRotation(
      read(oneJoint('Zrotation Xrotation Zrotation', '75 -20 130')),
      0,
      0,
      product([
        ['Z', 75],
        ['X', -20],
        ['Z', 130],
      ]),
    );
  });

  it('keeps angles of any size', () => {
    for (const degrees of [179.999, 180, 181, 360, 539, -720.5, 12345.678, 1e9 + 90]) {
      expectRotation(read(oneJoint('Xrotation', String(degrees))), 0, 0, product([['X', degrees % 720]]));
    }
    const { rotations } = read(oneJoint('Xrotation', '1e30')).takes[0]!.clip;
    expect(Math.hypot(...rotations)).toBeCloseTo(1, 6);
  });

  it('keeps the sign of successive rotations where an angle wraps', () => {
    const values = Array.from({ length: 80 }, (_, f) => `${((f * 25 + 180) % 360) - 180} ${f % 81} 5`);
    for (const channels of ['Zrotation Xrotation Yrotation', 'Zrotation Xrotation Zrotation']) {
      const { rotations, frameCount } = read(oneJoint(channels, values.join('\n'), 80)).takes[0]!.clip;
      expect(frameCount).toBe(80);
      for (let f = 1; f < frameCount; f++) {
        let dot = 0;
        for (let k = 0; k < 4; k++) dot += rotations[f * 4 + k]! * rotations[f * 4 - 4 + k]!;
        expect(dot).toBeGreaterThan(0.9);
      }
    }
  });

  it('lets position channels replace the OFFSET, component by component', () => {
    const file = read(
      ARM.replace('CHANNELS 3 Zrot', 'CHANNELS 4 Yposition Zrot')
        .replace('30 40', '30 12 40')
        .replace('31 41', '31 13 41'),
    );
    const { clip, channels } = file.takes[0]!;
    expect([...clip.translationJoints]).toEqual([0, 1]);
    expect([...clip.translations]).toEqual([4, 5, 6, 0, 12, 0, 7, 8, 9, 0, 13, 0]);
    expect(channels[1]).toEqual(['Yposition', 'Zrotation', 'Yrotation', 'Xrotation']);
  });

  it('keeps the OFFSET of an inner joint whose position channels are zero throughout, and says so', () => {
    const text = ARM.replace('CHANNELS 3 Zrot', 'CHANNELS 6 Xposition Yposition Zposition Zrot')
      .replace('30 40', '30 0 0 0 40')
      .replace('31 41', '31 0 0 0 41');
    const file = read(text);
    expect([...file.takes[0]!.clip.translations]).toEqual([4, 5, 6, 0, 10, 0, 7, 8, 9, 0, 10, 0]);
    expect(codes(file)).toEqual(['BVH_ZERO_POSITIONS']);
  });

  it('reads rotations that stand before positions', () => {
    const file = read(
      ARM.replace(
        'Xposition Yposition Zposition Zrotation Xrotation Yrotation',
        'Zrotation Xrotation Yrotation Xposition Yposition Zposition',
      )
        .replace('4 5 6 10 20 30', '10 20 30 4 5 6')
        .replace('7 8 9 11 21 31', '11 21 31 7 8 9'),
    );
    expectSameMotion(file);
  });
});

describe('how BVH files are written', () => {
  it('reads channel names and keywords in any case', () => {
    const text = ARM.replace(/HIERARCHY|ROOT|JOINT|OFFSET|CHANNELS|MOTION|Frames|Frame Time|End Site/g, (word) =>
      word.toLowerCase(),
    );
    expectSameMotion(read(text.replace(/[XYZ](position|rotation)/g, (word) => word.toUpperCase())));
  });

  it('reads tabs, blank lines, trailing blanks and form feeds', () => {
    expectSameMotion(read(ARM.replace(/ {2}/g, '\t').replace(/\n/g, ' \t\n\n').replace('7 8 9', '\t7\t8  9\f')));
  });

  it.each([
    ['CRLF', '\r\n'],
    ['a lone CR', '\r'],
  ])('reads lines that end in %s', (_, end) => {
    expectSameMotion(read(ARM.replace(/\n/g, end)));
  });

  it('reads a file that begins with a byte order mark', () => {
    expectSameMotion(read(`\ufeff${ARM}`));
  });

  it('reads a clip whose last line has no newline', () => {
    expectSameMotion(read(ARM.trimEnd()));
  });

  it('reads exponents, .5 and +1', () => {
    const file = read(oneJoint('Xposition Yposition Zposition', '-9.9e-17 .5 +1\n1E2 5. -0.0', 2));
    expect([...file.takes[0]!.clip.translations]).toEqual([Math.fround(-9.9e-17), 0.5, 1, 100, 5, -0]);
  });

  it('reads frames broken over lines and says so', () => {
    const file = read(ARM.replace('6 10', '6\n10').replace('9 11', '9\n11'));
    expectSameMotion(file);
    expect(codes(file)).toEqual(['BVH_FRAMES_WRAPPED']);
    expect(file.notes[0]!.message).toContain('line 19');
  });

  it('reads several frames of one line', () => {
    expectSameMotion(read(ARM.replace('60\n7', '60 7')));
  });

  it('reads a file that is one line, and one with a wide gap in a label', () => {
    const oneLine = ARM.replace('ROOT hips', 'ROOT hips{')
      .replace('JOINT chest', 'JOINT chest{')
      .replace('End Site', 'End Site{');
    expectSameMotion(read(oneLine.replace(/\n\s*\{/g, '').replace(/\s+/g, ' ')));
    expectSameMotion(read(ARM.replace('Frame Time:', `Frame${' '.repeat(200)}Time:`)));
    expectSameMotion(read(ARM.replace('Frame Time:', `Frame${' '.repeat(200)}Time:`).trimEnd()));
  });

  it('reads braces on the line of their joint', () => {
    expectSameMotion(read(ARM.replace(/\n\s*\{/g, ' {')));
  });

  it('reads joint names with blanks, colons, dots and other alphabets', () => {
    const file = read(ARM.replace('ROOT hips', 'ROOT  my rig:hips.01 left ').replace('JOINT chest', 'JOINT 腰 é'));
    expect(file.takes[0]!.skeleton.names).toEqual(['my rig:hips.01 left', '腰 é']);
  });

  it('keeps names that come twice', () => {
    expect(read(ARM.replace('chest', 'hips')).takes[0]!.skeleton.names).toEqual(['hips', 'hips']);
  });

  it('calls a joint without a name by its number and says so', () => {
    const file = read(ARM.replace('JOINT chest', 'JOINT'));
    expect(file.takes[0]!.skeleton.names).toEqual(['hips', '#1']);
    expect(codes(file)).toEqual(['BVH_NO_NAME']);
  });

  it('reads names that are not UTF-8 as Latin letters and says so', () => {
    const bytes = new TextEncoder().encode(ARM.replace('chest', 'h@fte'));
    bytes[bytes.indexOf(64)] = 0xfc; // ü in Latin-1
    const file = parseBvh(bytes, 'test.bvh');
    expect(file.takes[0]!.skeleton.names[1]).toBe('hüfte');
    expect(codes(file)).toEqual(['BVH_NAME_ENCODING']);
  });

  it('makes tips of several End Sites, named ones too', () => {
    const two = 'End Site\n{\nOFFSET 0 5 0\n}\nEnd Site crown\n{\nOFFSET 1 5 0\n}\nend\n{\nOFFSET 2 5 0\n}';
    const file = read(ARM.replace(/End Site\s*\{\s*OFFSET 0 5 0\s*\}/, two));
    expect(file.takes[0]!.skeleton.tips).toEqual([
      { joint: 1, offset: [0, 5, 0] },
      { joint: 1, offset: [1, 5, 0], name: 'crown' },
      { joint: 1, offset: [2, 5, 0] },
    ]);
  });

  it('reads a joint without channels, and one without a CHANNELS line', () => {
    for (const channels of ['CHANNELS 0', '']) {
      const text = ARM.replace('CHANNELS 3 Zrotation Yrotation Xrotation', channels).replace(
        / \d+ \d+ \d+(?=\n[7]|\n$)/g,
        '',
      );
      const file = read(text);
      expect(file.takes[0]!.clip.frameCount).toBe(2);
      expectRotation(file, 1, 1, [0, 0, 0, 1]);
      expectRotation(
        file,
        1,
        0,
        product([
          ['Z', 11],
          ['X', 21],
          ['Y', 31],
        ]),
      );
    }
  });

  it('makes a take of each ROOT and says so', () => {
    const second = 'ROOT prop\n{\nOFFSET 0 0 0\nCHANNELS 1 Xposition\nEnd Site\n{\nOFFSET 1 0 0\n}\n}\nMOTION';
    const file = read(ARM.replace('MOTION', second).replace('60\n', '60 100\n').replace('61\n', '61 101\n'));
    expect(codes(file)).toEqual(['BVH_ROOTS']);
    expect(file.takes.map(({ skeleton }) => skeleton.names)).toEqual([['hips', 'chest'], ['prop']]);
    expect(file.takes.map(({ clip }) => clip.name)).toEqual(['test hips', 'test prop']);
    expect([...file.takes[1]!.clip.translations]).toEqual([100, 0, 0, 101, 0, 0]);
    expectRotation(
      file,
      1,
      1,
      product([
        ['Z', 41],
        ['Y', 51],
        ['X', 61],
      ]),
    );
  });

  it('reads the frames that are there when fewer or more are announced, and says so', () => {
    for (const announced of ['1', '3', '0', '99999999999999']) {
      const file = read(ARM.replace('Frames: 2', `Frames: ${announced}`));
      expectSameMotion(file);
      expect(codes(file)).toEqual(['BVH_FRAME_COUNT']);
      expect(file.notes[0]!.message).toContain(`announces ${announced}, but 2`);
    }
  });

  it('reads a file with no frames', () => {
    const file = read(ARM.replace(/Frames: 2[\s\S]*$/, 'Frames: 0\nFrame Time: 0.04'));
    expect(file.takes[0]!.clip.frameCount).toBe(0);
    expect(file.takes[0]!.clip.rotations).toHaveLength(0);
    expect(file.notes).toEqual([]);
  });

  it('reads a file without MOTION as a skeleton with no frames, and says so', () => {
    const file = read(ARM.replace(/MOTION[\s\S]*$/, ''));
    expect(file.takes[0]!.skeleton.jointCount).toBe(2);
    expect(file.takes[0]!.clip.frameCount).toBe(0);
    expect(codes(file)).toEqual(['BVH_NO_MOTION']);
  });

  it('reads a skeleton in which nothing has a channel, and says so', () => {
    const file = read(oneJoint('', '', 1e9));
    expect(file.takes[0]!.clip.frameCount).toBe(0);
    expect(codes(file)).toEqual(['BVH_NO_CHANNELS']);
  });

  it('states the rate that a rounded Frame Time means and keeps the exact time', () => {
    const file = read(ARM.replace('0.04', '0.0333'));
    expect(file.takes[0]!.clip.frameDuration).toBe(0.0333);
    expect(codes(file)).toEqual(['BVH_FRAME_RATE']);
    expect(file.notes[0]!.message).toContain('30 fps');
  });

  it('warns where Frame Time looks like frames a second', () => {
    expect(codes(read(ARM.replace('0.04', '30')))).toContain('BVH_FRAME_TIME');
  });

  it('takes a Frame Time of 0 where there is one frame', () => {
    const file = read(oneJoint('Xposition', '1', 1, '0'));
    expect(file.takes[0]!.clip.frameDuration).toBeCloseTo(1 / 30);
    expect(codes(file)).toContain('BVH_FRAME_TIME');
  });
});
