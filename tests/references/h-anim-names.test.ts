import { describe, expect, it } from 'vitest';
import { readBody } from '../../src/pairing/read-body.ts';
import type { Role } from '../../src/pairing/roles.ts';
import { type Row, skeletonFrom } from '../support/biped.ts';

// Joint names and their hierarchy: ISO/IEC 19774 (H-Anim), 2005 names (l_ankle, l_index1) and those of 19774-1:2019
// (l_talocrural, l_metacarpophalangeal_2). Values from memory; places are those of a plain standing figure.

type Spot = [part: string, x: number, y: number, z: number];

interface Naming {
  ankle: string;
  midfoot: string[];
  toes: string;
  wrist: string;
  fingers: [base: string | null, ...joints: string[]][];
}

const NAMES_2005: Naming = {
  ankle: 'ankle',
  midfoot: ['subtalar', 'midtarsal'],
  toes: 'metatarsal',
  wrist: 'wrist',
  fingers: [
    [null, 'thumb1', 'thumb2', 'thumb3'],
    ...['index', 'middle', 'ring', 'pinky'].map((finger): [string, string, string, string] => [
      `${finger}0`,
      `${finger}1`,
      `${finger}2`,
      `${finger}3`,
    ]),
  ],
};

const NAMES_2019: Naming = {
  ankle: 'talocrural',
  midfoot: ['talocalcaneonavicular'],
  toes: 'metatarsophalangeal_2',
  wrist: 'radiocarpal',
  fingers: [
    [null, 'carpometacarpal_1', 'metacarpophalangeal_1', 'carpal_interphalangeal_1'],
    ...[2, 3, 4, 5].map((n): [string, string, string, string] => [
      `carpometacarpal_${n}`,
      `metacarpophalangeal_${n}`,
      `carpal_proximal_interphalangeal_${n}`,
      `carpal_distal_interphalangeal_${n}`,
    ]),
  ],
};

const range = (prefix: string, from: number): string[] =>
  Array.from({ length: from }, (_, i) => `${prefix}${from - i}`);

function rowsOf(naming: Naming, vertebrae: readonly string[], cervical: readonly string[]): Row[] {
  const rows: Row[] = [
    ['humanoid_root', null, [0, 0.95, 0]],
    ['sacroiliac', 'humanoid_root', [0, 0.93, 0]],
  ];
  let above = 'humanoid_root';
  vertebrae.forEach((name, i) => {
    rows.push([name, above, [0, 1.0 + (0.42 * i) / Math.max(1, vertebrae.length - 1), -0.03]]);
    above = name;
  });
  const top = above;
  cervical.forEach((name, i) => {
    rows.push([name, above, [0, 1.48 + (0.08 * i) / Math.max(1, cervical.length - 1), -0.02]]);
    above = name;
  });
  rows.push(['skullbase', above, [0, 1.6, 0]]);
  for (const [side, x] of [
    ['l', 1],
    ['r', -1],
  ] as const) {
    const chain = (parent: string, parts: readonly Spot[]): string => {
      let from = parent;
      for (const [part, px, py, pz] of parts) {
        rows.push([`${side}_${part}`, from, [x * px, py, pz]]);
        from = `${side}_${part}`;
      }
      return from;
    };
    rows.push([`${side}_eyeball_joint`, 'skullbase', [x * 0.03, 1.66, 0.08]]);
    const leg: Spot[] = [
      ['hip', 0.09, 0.91, 0],
      ['knee', 0.09, 0.49, 0.01],
      [naming.ankle, 0.09, 0.08, -0.02],
    ];
    leg.push(...naming.midfoot.map((part, i): Spot => [part, 0.09, 0.06, 0.01 + 0.03 * i]));
    chain('sacroiliac', [...leg, [naming.toes, 0.1, 0.02, 0.12]]);
    const wrist = chain(top, [
      ['sternoclavicular', 0.03, 1.43, 0],
      ['acromioclavicular', 0.15, 1.44, -0.02],
      ['shoulder', 0.18, 1.42, -0.02],
      ['elbow', 0.46, 1.42, -0.03],
      [naming.wrist, 0.71, 1.42, -0.02],
    ]);
    naming.fingers.forEach(([base, ...joints], f) => {
      const isThumb = f === 0;
      const z = isThumb ? 0.02 : 0.03 - 0.02 * f;
      const start: Spot[] = base ? [[base, 0.73, 1.42, z]] : [];
      const rest = joints.map(
        (part, k): Spot => (isThumb ? [part, 0.73 + 0.03 * k, 1.42, z + 0.02 * k] : [part, 0.8 + 0.03 * k, 1.42, z]),
      );
      chain(wrist, [...start, ...rest]);
    });
  }
  return rows;
}

const FULL = [...range('vl', 5), ...range('vt', 12)];

describe('joint names of ISO/IEC 19774', () => {
  it.each([
    ['2005, all vertebrae', NAMES_2005, FULL, range('vc', 7)],
    ['2005, articulation level 1', NAMES_2005, ['vl5'], ['vc4']],
    ['2005, articulation level 2', NAMES_2005, ['vl5', 'vl3', 'vl1', 'vt10', 'vt6', 'vt1'], ['vc4', 'vc2']],
    ['2019, all vertebrae', NAMES_2019, FULL, range('vc', 7)],
  ])('%s: every joint gets its role', (_, naming, vertebrae, cervical) => {
    const skeleton = skeletonFrom(rowsOf(naming, vertebrae, cervical));
    const body = readBody({ skeleton });
    const nameOf = (role: Role): string | null => {
      const joint = body.roles[role];
      return joint === undefined ? null : skeleton.names[joint]!;
    };
    expect(nameOf('hips')).toBe('humanoid_root');
    expect(nameOf('spine')).toBe('vl5');
    expect(nameOf('head')).toBe('skullbase');
    expect(nameOf('neck')).toBe(cervical[0]);
    if (vertebrae.length > 2) expect(nameOf('upperChest')).toMatch(/^vt/);
    for (const [side, word] of [
      ['l', 'left'],
      ['r', 'right'],
    ] as const) {
      const expected: [string, string][] = [
        ['UpperLeg', 'hip'],
        ['LowerLeg', 'knee'],
        ['Foot', naming.ankle],
        ['Toes', naming.toes],
        ['Shoulder', 'sternoclavicular'],
        ['UpperArm', 'shoulder'],
        ['LowerArm', 'elbow'],
        ['Hand', naming.wrist],
        ['Eye', 'eyeball_joint'],
      ];
      ['Thumb', 'Index', 'Middle', 'Ring', 'Little'].forEach((digit, f) => {
        const parts = digit === 'Thumb' ? ['Metacarpal', 'Proximal', 'Distal'] : ['Proximal', 'Intermediate', 'Distal'];
        expected.push(...parts.map((part, k): [string, string] => [`${digit}${part}`, naming.fingers[f]![k + 1]!]));
      });
      for (const [part, joint] of expected)
        expect(nameOf(`${word}${part}` as Role), `${word}${part}`).toBe(`${side}_${joint}`);
    }
  });
});
