import { readFile } from 'node:fs/promises';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { z } from 'zod';
import { formatError, RigproofError } from '../../src/errors.ts';
import { applyChain, applyConvention, applyMapping, type Mapping, mappingSideOf } from '../../src/pairing/mapping.ts';
import { parseMapping, writeMapping } from '../../src/pairing/mapping-file.ts';
import { MAPPING_SCHEMA } from '../../src/pairing/mapping-schema.ts';
import { ROLES } from '../../src/pairing/roles.ts';
import { buildSkeleton, type JointSource } from '../../src/skeleton/skeleton.ts';

function joint(name: string, ...children: JointSource[]): JointSource {
  return { name, rotation: [0, 0, 0, 1], translation: [0, 0, 0], children };
}

function fileOf(members: object): string {
  return JSON.stringify({ format: 'rigproof-mapping', version: 1, ...members }, null, 2);
}

function faultOf(text: string): RigproofError {
  try {
    parseMapping(text, 'hero.map.json');
  } catch (error) {
    if (error instanceof RigproofError) return error;
    throw error;
  }
  throw new Error('the mapping was accepted');
}

const FULL: Mapping = {
  about: ['Hero, second rig.', 'Checked by hand.'],
  convention: { name: 'house', roles: { hips: 'pelvis', head: 'head' } },
  source: {
    name: 'walk.bvh',
    roles: { hips: 'Hips', jaw: null },
    forbid: [{ joint: 'Prop' }, { joint: 'X', role: 'head' }],
  },
  target: { roles: { leftHand: 'wrist.L' }, hold: ['Ear.L', 'Ear.R'], follow: ['IK.Hand.L'] },
  chains: [{ source: ['LeftArm', 'LeftHand'], target: ['Tail1', 'Tail2', 'Tail3'] }],
  corrections: { leftUpperArm: { swing: [0, 12.5], twist: -5 }, head: { twist: 3 } },
  limbs: { leftArm: { reach: 0.5 }, rightLeg: {} },
};

describe('a mapping file', () => {
  it('keeps everything through writing and reading', () => {
    expect(parseMapping(writeMapping(FULL), 'full')).toEqual(FULL);
  });

  it('is the same text however its members were ordered', () => {
    const turned = Object.fromEntries(Object.entries(FULL).reverse()) as Mapping;
    turned.source = { forbid: FULL.source!.forbid!, roles: { jaw: null, hips: 'Hips' }, name: 'walk.bvh' };
    expect(writeMapping(turned)).toBe(writeMapping(FULL));
    expect(writeMapping(parseMapping(writeMapping(FULL), 'full'))).toBe(writeMapping(FULL));
  });

  it('reads well: one role a line, short lists on one line', () => {
    const text = writeMapping(FULL);
    expect(text).toContain('"leftUpperArm": { "swing": [0, 12.5], "twist": -5 }');
    expect(text).toContain('"hold": ["Ear.L", "Ear.R"]');
    expect(text.startsWith('{\n  "format": "rigproof-mapping",\n  "version": 1,\n')).toBe(true);
    expect(text.endsWith('}\n')).toBe(true);
  });

  it('round trips any joint names', () => {
    fc.assert(
      fc.property(
        fc.dictionary(fc.constantFrom(...ROLES), fc.string({ minLength: 1, unit: 'binary' }), {
          noNullPrototype: true,
        }),
        fc.array(fc.string({ minLength: 1 })),
        (roles, hold) => {
          // One joint, one role: equal names are made unequal by the role.
          const unique = Object.fromEntries(Object.entries(roles).map(([role, name]) => [role, `${name} ${role}`]));
          const mapping: Mapping = { target: { roles: unique, hold } };
          expect(parseMapping(writeMapping(mapping), 'any')).toEqual(mapping);
        },
      ),
    );
  });

  it('may begin with a byte order mark and name its JSON schema', () => {
    expect(parseMapping(`\uFEFF${fileOf({ $schema: 'mapping-1.schema.json', target: {} })}`, 'bom')).toEqual({
      target: {},
    });
  });

  it('of version 1, as first released, still reads', async () => {
    const text = await readFile(new URL('../fixtures/versions/mapping-1.json', import.meta.url), 'utf8');
    const mapping = parseMapping(text, 'mapping-1.json');
    expect(mapping.source?.roles?.leftLowerLeg).toBe('LeftLeg');
    expect(mapping.target?.roles?.rightToes).toBeNull();
    expect(mapping.corrections?.rightUpperArm).toEqual({ swing: [0, 4], twist: -2.5 });
    expect(mapping.limbs?.rightArm?.reach).toBe(0.25);
  });

  it('has a published JSON schema that says the same as the reader', async () => {
    const published = await readFile(new URL('../../mappings/schema/mapping-1.schema.json', import.meta.url), 'utf8');
    expect(JSON.parse(published)).toEqual(z.toJSONSchema(MAPPING_SCHEMA));
  });
});

describe('a fault in a mapping file', () => {
  const rows: [what: string, text: string, code: string, place: object, words: RegExp][] = [
    ['an empty file', '', 'MAP_SYNTAX', {}, /empty/],
    ['a cut file', '{\n  "format": "rigproof-map', 'MAP_SYNTAX', { line: 2 }, /not JSON/],
    [
      'a comma too many',
      '{\n  "format": "rigproof-mapping",\n}',
      'MAP_SYNTAX',
      { line: 3, column: 1 },
      /unexpected "}"/,
    ],
    ['other JSON', '{"asset": {"version": "2.0"}}', 'MAP_FORMAT', {}, /not a mapping/],
    ['a list', '[]', 'MAP_FORMAT', {}, /not a mapping/],
    ['another format', '{"format": "x"}', 'MAP_FORMAT', { pointer: '/format' }, /"x"; expected "rigproof-mapping"/],
    [
      'a newer version',
      '{"format": "rigproof-mapping", "version": 2}',
      'MAP_VERSION',
      { pointer: '/version' },
      /newer/,
    ],
    ['no version', '{"format": "rigproof-mapping"}', 'MAP_VERSION', {}, /nothing; expected 1/],
    [
      'an unknown role',
      fileOf({ target: { roles: { leftUperLeg: 'thigh' } } }),
      'MAP_ROLE_UNKNOWN',
      { line: 6, column: 7, pointer: '/target/roles/leftUperLeg' },
      /mean "leftUpperLeg"/,
    ],
    [
      'a role in other letters',
      fileOf({ target: { roles: { Left_Hand: 'h' } } }),
      'MAP_ROLE_UNKNOWN',
      {},
      /mean "leftHand"/,
    ],
    ['a role that is like none', fileOf({ corrections: { tentacle: {} } }), 'MAP_ROLE_UNKNOWN', {}, /VRM 1\.0/],
    [
      'a forbidden unknown role',
      fileOf({ source: { forbid: [{ joint: 'a', role: 'hed' }] } }),
      'MAP_ROLE_UNKNOWN',
      {},
      /mean "head"/,
    ],
    [
      'an unknown member',
      fileOf({ target: { role: {} } }),
      'MAP_KEY_UNKNOWN',
      { pointer: '/target/role' },
      /mean "roles"/,
    ],
    ['a member at the top', fileOf({ bones: {} }), 'MAP_KEY_UNKNOWN', { pointer: '/bones' }, /Known here: .*target/],
    [
      'a joint with two roles',
      fileOf({ target: { roles: { head: 'skull', neck: 'skull' } } }),
      'MAP_JOINT_TWICE',
      { pointer: '/target/roles/neck', line: 7 },
      /"skull" is given to head and to neck/,
    ],
    [
      'a role given twice',
      '{"format": "rigproof-mapping", "version": 1,\n"source": {"roles": {"head": "a",\n "head": "b"}}}',
      'MAP_ROLE_TWICE',
      { line: 3, column: 2 },
      /"head"/,
    ],
    [
      'a key given twice',
      '{"format": "rigproof-mapping", "version": 1, "source": {}, "source": {}}',
      'MAP_KEY_TWICE',
      {},
      /"source"/,
    ],
    [
      'a joint that is a number',
      fileOf({ target: { roles: { head: 7 } } }),
      'MAP_VALUE',
      { pointer: '/target/roles/head' },
      /Got 7; expected a joint name/,
    ],
    [
      'an angle in text',
      fileOf({ corrections: { head: { twist: '5' } } }),
      'MAP_VALUE',
      {},
      /Got "5"; expected degrees/,
    ],
    [
      'too many angles',
      fileOf({ corrections: { head: { swing: [1, 2, 3] } } }),
      'MAP_VALUE',
      {},
      /\[1,2,3\]; expected degrees/,
    ],
    [
      'a weight above one',
      fileOf({ limbs: { leftArm: { reach: 1.5 } } }),
      'MAP_VALUE',
      { pointer: '/limbs/leftArm/reach' },
      /Got 1\.5/,
    ],
    ['an unknown limb', fileOf({ limbs: { tail: {} } }), 'MAP_KEY_UNKNOWN', {}, /leftLeg, rightLeg/],
    [
      'an empty chain',
      fileOf({ chains: [{ source: [], target: ['a'] }] }),
      'MAP_VALUE',
      { pointer: '/chains/0/source' },
      /Got \[\]/,
    ],
  ];
  for (const [what, text, code, place, words] of rows) {
    it(`is named and placed: ${what}`, () => {
      const fault = faultOf(text);
      expect(fault.code).toBe(code);
      expect(fault.place).toMatchObject({ file: 'hero.map.json', ...place });
      expect(formatError(fault)).toMatch(words);
      expect(fault.hint).toBeTruthy();
    });
  }
});

describe('a mapping laid over a skeleton', () => {
  const { skeleton } = buildSkeleton([
    joint(
      'Hips',
      joint('ArmL', joint('Hand', joint('Hand'))),
      joint('ArmR', joint('Hand')),
      joint('a/b', joint('#17')),
      joint('Tail1', joint('Tail2', joint('Tail3'))),
      joint('Twin'),
      joint('Twin'),
    ),
  ]);
  const names = (joints: number[]) => joints.map((j) => skeleton.names[j]);

  it('finds joints by name, keeps null and passes on what is to be left alone', () => {
    const applied = applyMapping(
      {
        roles: { hips: 'Hips', head: null, chest: '#17' },
        hold: ['Tail1'],
        follow: ['a/b'],
        forbid: [{ joint: 'Tail2' }],
      },
      skeleton,
    );
    expect(applied.roles).toEqual({ hips: 0, head: null, chest: skeleton.names.indexOf('#17') });
    expect(names(applied.hold)).toEqual(['Tail1']);
    expect(names(applied.follow)).toEqual(['a/b']);
    expect(names(applied.forbid.map((entry) => entry.joint))).toEqual(['Tail2']);
  });

  it('names every joint so that it is found again, twins and repeated names too', () => {
    for (let j = 0; j < skeleton.jointCount; j++) {
      const side = mappingSideOf(skeleton, { head: j }, 'figure');
      expect(applyMapping(side, skeleton).roles.head).toBe(j);
    }
    expect(mappingSideOf(skeleton, { head: 4 + 1 }).roles?.head).toBe('ArmR/Hand');
  });

  it('asks which joint is meant where a name repeats', () => {
    expect(() => applyMapping({ roles: { leftHand: 'Hand' } }, skeleton, 'm.json')).toThrow(
      expect.objectContaining({ code: 'MAP_JOINT_AMBIGUOUS', hint: expect.stringContaining('"ArmL/Hand"') }),
    );
  });

  it('suggests the nearest name for a joint that is not there', () => {
    expect(() => applyMapping({ hold: ['tail_2'] }, skeleton, 'm.json')).toThrow(
      expect.objectContaining({ code: 'MAP_JOINT_UNKNOWN', hint: 'Did you mean "Tail2"?' }),
    );
  });

  it('takes chains from the body outwards only', () => {
    expect(names(applyChain(['Tail1', 'Tail3'], skeleton))).toEqual(['Tail1', 'Tail3']);
    expect(() => applyChain(['Tail3', 'Tail1'], skeleton)).toThrow(
      expect.objectContaining({ code: 'MAP_CHAIN_ORDER' }),
    );
  });

  it('takes from a convention what the skeleton has, and refuses one that does not fit', () => {
    const table = {
      name: 'house',
      roles: { hips: 'Hips', leftUpperArm: 'ArmL', rightUpperArm: 'ArmR', head: 'Skull', jaw: null },
    };
    expect(applyConvention(table, skeleton).roles).toEqual({ hips: 0, leftUpperArm: 1, rightUpperArm: 4 });
    expect(() => applyConvention({ roles: { hips: 'pelvis', head: 'skull' } }, skeleton)).toThrow(
      expect.objectContaining({ code: 'MAP_CONVENTION' }),
    );
  });
});
