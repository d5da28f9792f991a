import { describe, expect, it } from 'vitest';
import type { Body } from '../../src/pairing/body.ts';
import { readBody } from '../../src/pairing/read-body.ts';
import { ROLES, type Role } from '../../src/pairing/roles.ts';
import type { Skeleton } from '../../src/skeleton/skeleton.ts';
import { biped, bipedRows, parentsFirst, type Row, reparent, skeletonFrom, tipsOf } from '../support/biped.ts';
import { lineUp } from '../support/lined-up.ts';

/** Joint name a role, for roles that were given. */
function rolesByName(body: Body, names: readonly string[]): Partial<Record<Role, string>> {
  return Object.fromEntries(Object.entries(body.roles).map(([role, j]) => [role, names[j]!]));
}

/** The roles that a builder's joints are named for, less `without`. */
function expectedRoles(names: readonly string[], without: RegExp = /^$/): Partial<Record<Role, string>> {
  return Object.fromEntries(
    ROLES.filter((role) => names.includes(role) && !without.test(role)).map((role) => [role, role]),
  );
}

function erased(skeleton: Skeleton): Skeleton {
  return { ...skeleton, names: skeleton.names.map((_, j) => `bone_${j}`) };
}

/** Reads rows with their names and without, and expects the role that each joint is named for. */
function expectReading(
  rows: readonly Row[],
  input: Partial<Parameters<typeof readBody>[0]> = {},
  without?: RegExp,
): Body {
  const skeleton = skeletonFrom(rows, tipsOf(rows));
  const body = readBody({ skeleton, ...input });
  expect(rolesByName(body, skeleton.names)).toEqual(expectedRoles(skeleton.names, without));
  const blind = readBody({ skeleton: erased(skeleton), ...input });
  expect(rolesByName(blind, skeleton.names)).toEqual(expectedRoles(skeleton.names, without));
  return body;
}

function setPlaces(rows: readonly Row[], change: (name: string, at: Row[2]) => Row[2]): Row[] {
  return rows.map(([name, parent, at]): Row => [name, parent, change(name, at)]);
}

describe('bodies as they should be, with names and without', () => {
  it.each([
    ['a T-pose', {}],
    ['five fingers a hand', { fingers: 5 }],
    ['arms straight down', { armsDown: 90, fingers: 5 }],
    ['an A-pose', { armsDown: 45, fingers: 5 }],
    ['one spine joint, no neck, no collar bones', { spineJoints: 1, neck: false, shoulders: false }],
    ['no toes', { toes: false }],
    ['no hands and no feet', { hands: false, feet: false }],
    ['short legs', { thigh: 0.12, shin: 0.12 }],
    ['long arms', { upperArm: 0.6, lowerArm: 0.5 }],
    ['short arms', { upperArm: 0.12, lowerArm: 0.12 }],
  ])('reads %s', (_, options) => {
    const body = expectReading(bipedRows(options));
    expect(body.humanoid).toBe(true);
    expect(body.frame.up).toEqual([0, 1, 0]);
  });

  it('measures up, facing, height, floor and unit, each with a sentence', () => {
    const { frame } = readBody({ skeleton: biped() });
    expect(frame.up).toEqual([0, 1, 0]);
    expect(frame.facing).toEqual([0, 0, 1]);
    expect(frame.metresPerUnit).toBe(1);
    expect(frame.floor).toBeCloseTo(-0.02, 1);
    expect(frame.unsure).toEqual([]);
    for (const sentence of Object.values(frame.evidence)) expect(sentence.length).toBeGreaterThan(10);
  });

  it('says how sure each role is and why', () => {
    const body = readBody({ skeleton: biped({ fingers: 5 }) });
    for (const { confidence, evidence } of Object.values(body.readings)) {
      expect(confidence).toBeGreaterThan(0.75);
      expect(confidence).toBeLessThanOrEqual(1);
      expect(evidence.length).toBeGreaterThanOrEqual(2);
    }
    expect(body.readings.leftUpperLeg!.evidence.join()).toMatch(/name "leftUpperLeg".*thigh is \d+ % of the height/);
  });

  it('trusts shape without names less than both together', () => {
    const skeleton = biped();
    const named = readBody({ skeleton }).readings.leftLowerArm!.confidence;
    const blind = readBody({ skeleton: erased(skeleton) }).readings.leftLowerArm!.confidence;
    expect(blind).toBeLessThan(named);
    expect(blind).toBeGreaterThan(0.5);
  });
});

describe('rigs as riggers leave them, with names and without', () => {
  it('takes twist joints for what they are, with their share', () => {
    const body = expectReading(bipedRows({ twists: 3 }));
    const twists = body.helpers.filter(({ kind }) => kind === 'twist');
    expect(twists).toHaveLength(12);
    const ofArm = twists.filter(({ of }) => of === 'leftUpperArm').map(({ share }) => share!);
    ofArm.forEach((share, i) => {
      expect(share).toBeCloseTo((i + 1) / 4, 2);
    });
  });

  it('finds feet that hang under the root, and says so', () => {
    const body = expectReading(bipedRows({ detachedFeet: true }));
    expect(body.notes.filter(({ code }) => code === 'PAIR_FOOT_DETACHED')).toHaveLength(2);
  });

  it('takes, of two joints outside the leg, the one where the shin ends', () => {
    const rows = bipedRows({ detachedFeet: true, toes: false });
    for (const [side, x] of [
      ['left', 1],
      ['right', -1],
    ] as const) {
      rows.push([`${side}Roll`, 'root', [x * 0.09, 0.02, 0.12]], [`${side}Heel`, 'root', [x * 0.09, 0.16, -0.1]]);
    }
    const tips = tipsOf(rows);
    tips.leftLowerLeg = [0.09, 0.08, -0.01];
    tips.rightLowerLeg = [-0.09, 0.08, -0.01];
    const skeleton = skeletonFrom(rows, tips);
    const body = readBody({ skeleton: erased(skeleton) });
    expect([body.roles.leftFoot, body.roles.rightFoot].map((j) => skeleton.names[j!]).sort()).toEqual([
      'leftFoot',
      'rightFoot',
    ]);
  });

  it('finds hands that hang under the root', () => {
    let rows: Row[] = [['root', null, [0, 0, 0]], ...bipedRows()];
    for (const name of ['hips', 'leftHand', 'rightHand']) rows = reparent(rows, name, 'root');
    const body = expectReading(rows);
    expect(body.notes.filter(({ code }) => code === 'PAIR_HAND_DETACHED')).toHaveLength(2);
  });

  it('takes the hips near the thighs when those hang from a root on the floor', () => {
    let rows: Row[] = [['root', null, [0, 0, 0]], ...bipedRows()];
    for (const name of ['hips', 'leftUpperLeg', 'rightUpperLeg']) rows = reparent(rows, name, 'root');
    expectReading(rows);
  });

  it('reads a spine that runs from the chest down to the hips', () => {
    const parents: Record<string, string | null> = {
      hips: 'spine',
      spine: 'chest',
      chest: 'upperChest',
      upperChest: null,
    };
    const rows = bipedRows().map(([name, parent, at]): Row => [name, name in parents ? parents[name]! : parent, at]);
    const body = expectReading(parentsFirst(rows));
    expect(body.spineChain).toHaveLength(3);
  });

  it('reads a torso that is the parent of the hips', () => {
    const rows = bipedRows({ spineJoints: 1 }).map(
      ([name, parent, at]): Row => [name, name === 'spine' ? null : name === 'hips' ? 'spine' : parent, at],
    );
    expectReading(parentsFirst(rows));
  });

  it('takes the joint that carries both legs and spine for the hips when a pelvis hangs below it', () => {
    let rows = bipedRows();
    rows.push(['pelvis', 'hips', [0, 0.95, 0]]);
    rows = reparent(reparent(rows, 'leftUpperLeg', 'pelvis'), 'rightUpperLeg', 'pelvis');
    expectReading(rows);
  });

  it('reads collar bones that hang from the neck', () => {
    expectReading(reparent(reparent(bipedRows(), 'leftShoulder', 'neck'), 'rightShoulder', 'neck'));
  });

  it('notes arms that hang from the hips', () => {
    let rows = bipedRows({ shoulders: false });
    rows = reparent(reparent(rows, 'leftUpperArm', 'hips'), 'rightUpperArm', 'hips');
    const body = expectReading(rows);
    expect(body.notes.map(({ code }) => code)).toContain('PAIR_ARMS_OFF_SPINE');
  });

  it('chooses the copy of an arm that moves the mesh', () => {
    const rows = bipedRows({ fingers: 5 });
    for (const copy of ['Driven', 'Free']) {
      for (const [name, parent, at] of [...rows]) {
        if (/^(left|right)(UpperArm|LowerArm|Hand)$/.test(name))
          rows.push([name + copy, /Upper/.test(name) ? parent : parent + copy, at]);
      }
    }
    const { names } = skeletonFrom(rows);
    const skinned = Uint8Array.from(names, (name) => (/Driven|Free/.test(name) ? 0 : 1));
    const body = expectReading(rows, { skinned });
    expect(body.helpers.filter(({ kind }) => kind === 'control').length).toBe(12);
  });

  it('keeps IK controls and pole targets out of the roles and names them', () => {
    let rows: Row[] = [['root', null, [0, 0, 0]], ...bipedRows()];
    rows = reparent(rows, 'hips', 'root');
    for (const [side, x] of [
      ['left', 1],
      ['right', -1],
    ] as const) {
      rows.push([`${side}FootGoal`, 'root', [x * 0.09, 0.08, -0.01]], [`${side}KneeAim`, 'root', [x * 0.09, 0.5, 0.8]]);
    }
    const { names } = skeletonFrom(rows);
    const skinned = Uint8Array.from(names, (name) => (/Goal|Aim|root/.test(name) ? 0 : 1));
    const body = expectReading(rows, { skinned });
    const kinds = Object.fromEntries(body.helpers.map(({ joint, kind }) => [names[joint]!, kind]));
    expect(kinds).toMatchObject({
      leftFootGoal: 'control',
      rightFootGoal: 'control',
      leftKneeAim: 'pole',
      rightKneeAim: 'pole',
    });
  });

  it('is not led astray by hair, skirt, tail, ears and wings', () => {
    const rows = bipedRows({ fingers: 5 });
    const grow = (name: string, parent: string, count: number, at: (i: number) => Row[2]): void => {
      for (let i = 0; i < count; i++) rows.push([`${name}${i}`, i === 0 ? parent : `${name}${i - 1}`, at(i)]);
    };
    for (let k = 0; k < 10; k++) {
      const [c, s] = [Math.cos(0.6 * k + 0.3), Math.sin(0.6 * k + 0.3)];
      grow(`hair${k}x`, 'head', 6, (i) => [0.1 * c, 1.65 - 0.05 * i, 0.1 * s]);
      grow(`skirt${k}x`, 'hips', 5, (i) => [0.2 * c, 0.95 - 0.1 * i, 0.2 * s]);
    }
    grow('tail', 'hips', 7, (i) => [0, 0.9 - 0.05 * i, -0.1 - 0.12 * i]);
    for (const [side, x] of [
      ['left', 1],
      ['right', -1],
    ] as const) {
      grow(`${side}Ear`, 'head', 3, (i) => [x * 0.08, 1.7 + 0.1 * i, 0]);
      grow(`${side}Wing`, 'upperChest', 4, (i) => [x * (0.1 + 0.3 * i), 1.4 + 0.1 * i, -0.15 - 0.1 * i]);
    }
    expectReading(rows);
  });

  it('tells eyes from brows and keeps a weapon slot out of the fingers', () => {
    const rows = bipedRows({ fingers: 5 });
    for (const [side, x] of [
      ['left', 1],
      ['right', -1],
    ] as const) {
      rows.push([`${side}Eye`, 'head', [x * 0.03, 1.62, 0.08]], [`${side}Brow`, 'head', [x * 0.03, 1.65, 0.09]]);
      rows.push([`${side}Slot`, `${side}Hand`, [x * 0.78, 1.35, 0]]);
    }
    rows.push(['jaw', 'head', [0, 1.55, 0.03]]);
    const skeleton = skeletonFrom(rows, tipsOf(rows));
    const body = readBody({ skeleton });
    expect(rolesByName(body, skeleton.names)).toEqual(expectedRoles(skeleton.names));
    const slots = body.helpers.filter(({ joint }) => /Slot/.test(skeleton.names[joint]!)).map(({ kind }) => kind);
    expect(slots).toEqual(['prop', 'prop']);
  });

  it('reads a leg of three segments as leg, foot and toes', () => {
    const bent: Record<string, [number, number]> = { LowerLeg: [0.55, 0.15], Foot: [0.28, -0.15], Toes: [0.05, 0] };
    const rows = setPlaces(bipedRows(), (name, at) => {
      const [, part] = /^(?:left|right)(LowerLeg|Foot|Toes)$/.exec(name) ?? [];
      return part ? [at[0], ...bent[part]!] : at;
    });
    expectReading(rows);
  });
});

describe('zero poses that are no posture', () => {
  it('reads the motion in their place, with names and without', () => {
    const { skeleton, clip } = lineUp(biped({ fingers: 5 }));
    for (const subject of [skeleton, erased(skeleton)]) {
      const body = readBody({ skeleton: subject, clip });
      expect(rolesByName(body, skeleton.names)).toEqual(expectedRoles(skeleton.names));
      expect(body.poseFrame).not.toBeNull();
      expect(body.frame.up).toEqual([0, 1, 0]);
      expect(body.frame.facing).toEqual([0, 0, 1]);
    }
  });

  it('goes by names without a motion, and says that up and facing are not known', () => {
    const { skeleton } = lineUp(biped({ fingers: 5 }));
    const body = readBody({ skeleton });
    expect(rolesByName(body, skeleton.names)).toEqual(expectedRoles(skeleton.names));
    expect(body.frame.unsure).toEqual(expect.arrayContaining(['up', 'facing']));
  });

  it('asks for the motion when there are no names either', () => {
    const body = readBody({ skeleton: erased(lineUp(biped()).skeleton) });
    expect(body.humanoid).toBe(false);
    expect(body.reason).toMatch(/motion is needed/);
  });
});

describe('names that lie', () => {
  it('goes by the toes where left and right are swapped in all names, and says so', () => {
    const skeleton = biped({ name: (part, side) => (side ? `${side === 'left' ? 'right' : 'left'}${part}` : part) });
    const body = readBody({ skeleton });
    expect(skeleton.names[body.roles.leftUpperLeg!]).toBe('rightUpperLeg');
    expect(body.notes.map(({ code }) => code)).toContain('PAIR_SIDES_SWAPPED');
    expect(body.readings.leftUpperLeg!.confidence).toBeLessThan(0.75);
  });

  it('names a single joint that is called for the wrong side', () => {
    const rows = bipedRows({ fingers: 5 }).map(([name, parent, at]): Row => {
      const swap = (n: string): string =>
        /Thumb/.test(n) ? n.replace(/^left|^right/, (s) => (s === 'left' ? 'right' : 'left')) : n;
      return [swap(name), parent && swap(parent), at];
    });
    const skeleton = skeletonFrom(rows, tipsOf(rows));
    const body = readBody({ skeleton });
    expect(skeleton.names[body.roles.leftThumbMetacarpal!]).toBe('rightThumbMetacarpal');
    expect(body.notes.filter(({ code }) => code === 'PAIR_NAME_SIDE')).toHaveLength(6);
    expect(body.notes.map(({ code }) => code)).not.toContain('PAIR_SIDES_SWAPPED');
  });

  it('says that front and back are in doubt when nothing tells them apart', () => {
    const straight = setPlaces(bipedRows({ feet: false }), (_, [x, y]) => [x, y, 0]);
    const body = readBody({ skeleton: erased(skeletonFrom(straight)) });
    expect(body.humanoid).toBe(true);
    expect(body.frame.unsure).toContain('facing');
    expect(body.notes.map(({ code }) => code)).toContain('PAIR_FACING_UNSURE');
    expect(body.readings.leftUpperArm!.confidence).toBeLessThan(0.75);
  });
});

describe('what a person or a table has settled', () => {
  const skeleton = biped({ fingers: 5 });
  const at = (name: string): number => skeleton.names.indexOf(name);

  it('keeps a role fixed by hand and takes the joint from its old one', () => {
    const body = readBody({ skeleton, fixed: { chest: at('spine'), spine: null } });
    expect(body.roles.chest).toBe(at('spine'));
    expect(body.roles.spine).toBeUndefined();
    expect(body.readings.chest!.evidence[0]).toBe('fixed by hand');
    expect(body.readings.chest!.confidence).toBe(1);
  });

  it('does not give a joint a role that is forbidden, nor any when all are', () => {
    const body = readBody({ skeleton, forbidden: [{ joint: at('neck'), role: 'neck' }, { joint: at('leftToes') }] });
    expect(body.roles.neck).toBeUndefined();
    expect(Object.values(body.roles)).not.toContain(at('leftToes'));
    expect(body.roles.leftFoot).toBe(at('leftFoot'));
  });

  it('takes a table as certain and fills in what it leaves out', () => {
    const joints = Object.fromEntries(ROLES.filter((r) => /Leg|Arm|hips|head/.test(r)).map((role) => [role, at(role)]));
    const body = readBody({ skeleton: erased(skeleton), table: { standard: 'VRM 1.0', joints } });
    expect(rolesByName(body, skeleton.names)).toEqual(expectedRoles(skeleton.names));
    expect(body.readings.leftUpperLeg!.evidence[0]).toMatch(/VRM 1.0/);
    expect(body.readings.leftUpperLeg!.confidence).toBe(0.99);
  });

  it('takes up, facing and unit from a person, and turns left and right with the facing', () => {
    const body = readBody({ skeleton: erased(skeleton), override: { facing: [0, 0, -1], metresPerUnit: 0.5 } });
    expect(body.frame.facing[2]).toBe(-1);
    expect(body.frame.metresPerUnit).toBe(0.5);
    expect(skeleton.names[body.roles.leftUpperLeg!]).toBe('rightUpperLeg');
  });

  it('believes a person who names a whole body where shape sees none', () => {
    const rows = setPlaces(bipedRows(), (name, [x, y, z]) =>
      /(spine|chest|neck|head|Shoulder|Arm|Hand)/i.test(name) ? [x, 0.95, y - 0.95 + z] : [x, y, z],
    );
    const odd = erased(skeletonFrom(rows));
    expect(readBody({ skeleton: odd }).humanoid).toBe(false);
    const plain = skeletonFrom(rows);
    const fixed = Object.fromEntries(
      ROLES.filter((r) => plain.names.includes(r)).map((r) => [r, plain.names.indexOf(r)]),
    );
    const body = readBody({ skeleton: odd, fixed });
    expect(body.humanoid).toBe(true);
    expect(body.roles).toEqual(fixed);
  });
});

describe('what is no human body', () => {
  it('refuses a body on four legs, however its joints are called', () => {
    const rows: Row[] = [['hips', null, [0, 1, -0.5]]];
    for (let i = 1; i <= 4; i++)
      rows.push([`spine${i}`, i === 1 ? 'hips' : `spine${i - 1}`, [0, 1.02, -0.5 + 0.22 * i]]);
    rows.push(['neck', 'spine4', [0, 1.2, 0.55]], ['head', 'neck', [0, 1.5, 0.75]]);
    for (const [side, x] of [
      ['left', 1],
      ['right', -1],
    ] as const) {
      const leg = (parts: readonly string[], parent: string, z: number): void => {
        parts.forEach((part, i) => {
          rows.push([
            `${side}${part}`,
            i === 0 ? parent : `${side}${parts[i - 1]}`,
            [x * 0.15, [0.95, 0.5, 0.06][i]!, z],
          ]);
        });
      };
      leg(['UpperLeg', 'LowerLeg', 'Foot'], 'hips', -0.5);
      leg(['UpperArm', 'LowerArm', 'Hand'], 'spine4', 0.4);
    }
    for (const skeleton of [skeletonFrom(rows, tipsOf(rows)), erased(skeletonFrom(rows, tipsOf(rows)))]) {
      const body = readBody({ skeleton });
      expect(body.humanoid).toBe(false);
      expect(body.reason).toMatch(/four legs|trunk lies/);
      expect(body.roles).toEqual({});
    }
  });

  it.each([
    [
      'a chain',
      skeletonFrom([
        ['a', null, [0, 0, 0]],
        ['b', 'a', [0, 1, 0]],
      ]),
    ],
    ['a single joint', skeletonFrom([['a', null, [0, 0, 0]]])],
    ['no joint at all', skeletonFrom([])],
  ])('refuses %s with a reason and a finite frame', (_, skeleton) => {
    const body = readBody({ skeleton });
    expect(body.humanoid).toBe(false);
    expect(body.reason.length).toBeGreaterThan(10);
    expect(Number.isFinite(body.frame.height)).toBe(true);
    expect(Number.isFinite(body.frame.floor)).toBe(true);
    expect(Number.isFinite(body.frame.metresPerUnit)).toBe(true);
  });
});
