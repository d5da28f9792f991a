import { existsSync } from 'node:fs';
import { readdir, readFile } from 'node:fs/promises';
import { describe, expect, it } from 'vitest';
import { parseMapping } from '../../src/pairing/mapping-file.ts';
import { mirrorRole, REQUIRED_ROLES, ROLES, type Role } from '../../src/pairing/roles.ts';

const folder = new URL('../../mappings/', import.meta.url);
const files = (await readdir(folder)).filter((name) => name.endsWith('.json'));
const tables = await Promise.all(
  files.map(async (file) => ({ file, mapping: parseMapping(await readFile(new URL(file, folder), 'utf8'), file) })),
);

const data = new URL('../../../shared/data/bvh/', import.meta.url);
const hasData = existsSync(data);

describe('the ready mappings', () => {
  it('cover the open standards and the conventions of the CMU database', () => {
    expect(files.sort()).toEqual([
      'cmu-arms-down.json',
      'cmu-long-names.json',
      'cmu-short-names.json',
      'h-anim-1.json',
      'h-anim-2.json',
      'vrm-1.json',
    ]);
  });

  it.each(tables)('$file names every required role, both sides alike, and its source', ({ mapping }) => {
    const roles = mapping.convention!.roles;
    expect(REQUIRED_ROLES.filter((role) => !roles[role])).toEqual([]);
    for (const role of Object.keys(roles) as Role[]) expect(roles[mirrorRole(role)]).toBeTruthy();
    expect([mapping.about].flat().join(' ')).toMatch(/ISO\/IEC|VRMC_vrm|mocap\.cs\.cmu\.edu/);
  });

  it('for VRM 1.0 is the standard itself: every bone under its own name', () => {
    const { mapping } = tables.find(({ file }) => file === 'vrm-1.json')!;
    expect(mapping.convention!.roles).toEqual(Object.fromEntries(ROLES.map((role) => [role, role])));
  });

  // Outside source: role tables made by hand for the public clips, and the joint names in the clips themselves.
  it.skipIf(!hasData).each([
    ['cmu-long-names.json', ['cmu_walk.bvh']],
    ['cmu-arms-down.json', ['cmu_jumping_jacks.bvh']],
    ['cmu-short-names.json', ['cmu_martial.bvh', 'cmu_salsa_spikes.bvh', 'cmu_indian_long.bvh']],
  ])('%s agrees with the truth table of its clips (needs ../shared/data/bvh)', async (file, clips) => {
    const truth = JSON.parse(await readFile(new URL('truth.json', data), 'utf8')).files;
    const roles = tables.find((table) => table.file === file)!.mapping.convention!.roles;
    for (const clip of clips) {
      const text = await readFile(new URL(clip, data), 'utf8');
      const joints = [...text.matchAll(/^\s*(?:ROOT|JOINT)\s+(\S+)/gm)].map((match) => match[1]);
      for (const role of ROLES) {
        const accepted = [truth[clip].roles[role] ?? null].flat();
        expect(accepted, `${clip} ${role}`).toContain(roles[role] ?? null);
        if (roles[role]) expect(joints).toContain(roles[role]);
      }
    }
  });
});
