import { describe, expect, it } from 'vitest';
import { readBody } from '../../src/pairing/read-body.ts';
import { ROLES } from '../../src/pairing/roles.ts';
import { bipedRows, parentsFirst, type Row, reparent, skeletonFrom, tipsOf } from '../support/biped.ts';
import { shuffleJoints } from '../support/skeleton-variants.ts';

const FEET = ['leftFoot', 'rightFoot'];
const HANDS = ['leftHand', 'rightHand'];
const SEGMENTS = ['left', 'right'].flatMap((side) =>
  (
    [
      ['UpperArm', 'LowerArm'],
      ['LowerArm', 'Hand'],
      ['UpperLeg', 'LowerLeg'],
      ['LowerLeg', 'Foot'],
    ] as const
  ).map(([from, to]) => [side + from, side + to] as const),
);

/** Hangs the hips and the given joints under a root on the floor. */
function underRoot(rows: readonly Row[], names: readonly string[]): Row[] {
  let changed: Row[] = [['root', null, [0, 0, 0]], ...rows];
  for (const name of ['hips', ...names]) changed = reparent(changed, name, 'root');
  return changed;
}

function between(rows: readonly Row[], from: string, to: string, share: number): Row[2] {
  const at = (name: string): Row[2] => rows.find(([n]) => n === name)![2];
  const [a, b] = [at(from), at(to)];
  return [a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]), a[2] + share * (b[2] - a[2])];
}

/** A twist joint halfway along each segment, in the chain. */
function splitSegments(rows: readonly Row[]): Row[] {
  let changed = [...rows];
  for (const [from, to] of SEGMENTS) {
    changed.push([`${from}Split`, from, between(rows, from, to, 0.5)]);
    changed = reparent(changed, to, `${from}Split`);
  }
  return changed;
}

/** Two twist joints beside each segment, as leaves. */
function withTwistLeaves(rows: readonly Row[]): Row[] {
  const leaves = SEGMENTS.flatMap(([from, to]) =>
    [0.33, 0.66].map((share): Row => [`${from}Twist${share}`, from, between(rows, from, to, share)]),
  );
  return [...rows, ...leaves];
}

/** Copies of the joints that the pattern names, each copy below the copy of its parent. */
function copied(rows: readonly Row[], pattern: RegExp, ends: readonly string[]): Row[] {
  const copies = ends.flatMap((end) =>
    rows
      .filter(([name]) => pattern.test(name))
      .map(([name, parent, at]): Row => {
        const isCopied = parent !== null && pattern.test(parent);
        return [name + end, isCopied ? parent + end : parent, at];
      }),
  );
  return [...rows, ...copies];
}

const ARM = /^(left|right)(UpperArm|LowerArm|Hand)$/;
const LIMBS = /^(left|right)(UpperArm|LowerArm|Hand|UpperLeg|LowerLeg|Foot|Toes)$/;
const COPY = /(Control|Free)$/;

const REVERSED: Record<string, string | null> = {
  hips: 'spine',
  spine: 'chest',
  chest: 'upperChest',
  upperChest: null,
};

/** Rigs by what a rigger did to a plain body. `still` names the joints that move no mesh. */
const HABITS: [string, (rows: Row[]) => Row[], RegExp?][] = [
  ['feet under the root', (rows) => underRoot(rows, FEET)],
  ['hands under the root', (rows) => underRoot(rows, HANDS)],
  ['hands and feet under the root', (rows) => underRoot(rows, [...FEET, ...HANDS])],
  ['hands and feet as roots of their own', (rows) => [...FEET, ...HANDS].reduce((r, n) => reparent(r, n, null), rows)],
  ['segments split in two', splitSegments],
  [
    'segments split in two, hands and feet under the root',
    (rows) => underRoot(splitSegments(rows), [...FEET, ...HANDS]),
  ],
  ['twist joints beside the segments', withTwistLeaves],
  [
    'twist joints beside the segments, hands and feet under the root',
    (rows) => underRoot(withTwistLeaves(rows), [...FEET, ...HANDS]),
  ],
  ['three copies of each arm', (rows) => copied(rows, ARM, ['Control', 'Free']), COPY],
  ['three copies of each limb', (rows) => copied(rows, LIMBS, ['Control', 'Free']), COPY],
  ['a copy of everything', (rows) => copied(rows, /^/, ['Control']), COPY],
  [
    'a body joint between root and hips, hands and feet under the root',
    (rows) => reparent([...underRoot(rows, [...FEET, ...HANDS]), ['body', 'root', [0, 0.95, 0]]], 'hips', 'body'),
  ],
  [
    'thighs, hands and feet under the root',
    (rows) => underRoot(rows, [...FEET, ...HANDS, 'leftUpperLeg', 'rightUpperLeg']),
  ],
  [
    'a spine that runs down to the hips, hands and feet under the root',
    (rows) => {
      const turned = rows.map(([name, parent, at]): Row => [name, name in REVERSED ? REVERSED[name]! : parent, at]);
      const loose: Row[] = [['root', null, [0, 0, 0]], ...turned];
      return [...FEET, ...HANDS, 'upperChest'].reduce((r, n) => reparent(r, n, 'root'), parentsFirst(loose));
    },
  ],
  [
    'hips below the pelvis',
    (rows) => rows.map(([n, p, [x, y, z]]): Row => [n, p, [x, n === 'hips' ? y - 0.12 : y, z]]),
  ],
  [
    'hips above the pelvis',
    (rows) => rows.map(([n, p, [x, y, z]]): Row => [n, p, [x, n === 'hips' ? y + 0.12 : y, z]]),
  ],
];

describe.each(HABITS)('%s', (_, change, still) => {
  it.each([
    ['five fingers, T-pose', { fingers: 5 }],
    ['no fingers, A-pose', { armsDown: 45 }],
    ['no fingers, arms down', { armsDown: 80 }],
  ])('are read with names, without, and in any order: %s', (_, options) => {
    const rows = change(bipedRows(options));
    const named = skeletonFrom(rows, tipsOf(rows));
    const expected = Object.fromEntries(ROLES.filter((role) => named.names.includes(role)).map((role) => [role, role]));
    const read = (skeleton: typeof named, labels: readonly string[]): Record<string, string> => {
      const skinned = still && Uint8Array.from(labels, (label) => (still.test(label) ? 0 : 1));
      const { roles } = readBody({ skeleton, skinned });
      return Object.fromEntries(Object.entries(roles).map(([role, j]) => [role, labels[j]!]));
    };
    const erase = (skeleton: typeof named): typeof named => ({
      ...skeleton,
      names: skeleton.names.map((_, j) => `bone_${j}`),
    });
    expect(read(named, named.names)).toEqual(expected);
    expect(read(erase(named), named.names)).toEqual(expected);
    for (const seed of [1, 2]) {
      const { skeleton, from } = shuffleJoints(named, seed);
      const labels = from.map((j) => named.names[j]!);
      expect(read(erase(skeleton), labels)).toEqual(expected);
    }
  });
});
