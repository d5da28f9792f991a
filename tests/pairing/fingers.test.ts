import { describe, expect, it } from 'vitest';
import { readBody } from '../../src/pairing/read-body.ts';
import type { Role } from '../../src/pairing/roles.ts';
import { bipedRows, type Row, reparent, skeletonFrom, tipsOf } from '../support/biped.ts';

/** Reads rows with their names erased; gives the name that each role's joint had. */
function readBlind(rows: readonly Row[]): Partial<Record<Role, string>> {
  const skeleton = skeletonFrom(rows, tipsOf(rows));
  const names = skeleton.names.map((_, j) => `b${j}`);
  const { roles } = readBody({ skeleton: { ...skeleton, names } });
  return Object.fromEntries(Object.entries(roles).map(([role, j]) => [role, skeleton.names[j]!]));
}

const fingersOf = (found: Partial<Record<Role, string>>): Partial<Record<Role, string>> =>
  Object.fromEntries(Object.entries(found).filter(([role]) => /^left(Thumb|Index|Middle|Ring|Little)/.test(role)));

describe('fingers without names', () => {
  it('are told by their places: the thumb first, the others outwards from it', () => {
    const found = fingersOf(readBlind(bipedRows({ fingers: 5 })));
    expect(Object.keys(found)).toHaveLength(15);
    for (const [role, name] of Object.entries(found)) expect(name).toBe(role);
  });

  it('lose the bones in the palm where four chains start at the wrist', () => {
    const rows = bipedRows({ fingers: 5 });
    for (const side of ['left', 'right'] as const) {
      const x = side === 'left' ? 1 : -1;
      for (const finger of ['Index', 'Middle', 'Ring', 'Little']) {
        const name = `${side}${finger}Palm`;
        const place = rows.find(([n]) => n === `${side}${finger}Proximal`)![2];
        rows.push([name, `${side}Hand`, [place[0] - x * 0.08, place[1], place[2] * 0.3]]);
      }
    }
    let wired: Row[] = rows;
    for (const side of ['left', 'right']) {
      for (const finger of ['Index', 'Middle', 'Ring', 'Little']) {
        wired = reparent(wired, `${side}${finger}Proximal`, `${side}${finger}Palm`);
      }
    }
    const found = fingersOf(readBlind(wired));
    for (const [role, name] of Object.entries(found)) expect(name).toBe(role);
    expect(found.leftIndexProximal).toBe('leftIndexProximal');
  });

  it('of a mitten are the middle finger beside a thumb', () => {
    const rows = bipedRows({ fingers: 2 });
    const found = fingersOf(readBlind(rows));
    expect(found.leftMiddleProximal).toBe('leftIndexProximal');
    expect(found.leftThumbMetacarpal).toBe('leftThumbMetacarpal');
    expect(found.leftIndexProximal).toBeUndefined();
  });

  it('include a thumb that hangs from the forearm', () => {
    let rows = bipedRows({ fingers: 2 });
    for (const side of ['left', 'right']) rows = reparent(rows, `${side}ThumbMetacarpal`, `${side}LowerArm`);
    const found = readBlind(rows);
    expect(found.leftHand).toBe('leftHand');
    expect(found.leftThumbMetacarpal).toBe('leftThumbMetacarpal');
  });

  it('are read where there is no hand joint and all start at the wrist', () => {
    const rows = bipedRows({ fingers: 5 });
    const direct = rows
      .filter(([name]) => !/Hand$/.test(name))
      .map(([name, parent, at]): Row => {
        const side = name.startsWith('left') ? 'left' : 'right';
        if (!/(Metacarpal|Proximal)$/.test(name) || parent !== `${side}Hand`) return [name, parent, at];
        return [name, `${side}LowerArm`, rows.find(([n]) => n === `${side}Hand`)![2]];
      });
    const found = readBlind(direct);
    expect(found.leftHand).toBeUndefined();
    expect(found.leftLowerArm).toBe('leftLowerArm');
    expect(found.leftThumbMetacarpal).toBe('leftThumbMetacarpal');
    expect(found.leftMiddleProximal).toMatch(/^leftMiddle/);
  });
});
