import { describe, expect, it } from 'vitest';
import { auditInput } from '../../src/convert/audit.ts';
import { parseContainer } from '../../src/formats/gltf/container.ts';
import { readCharacter } from '../../src/formats/gltf/read-character.ts';
import { type AuditInput, auditRig } from '../../src/rig/audit.ts';
import { planMending } from '../../src/rig/mend.ts';
import { GltfBuilder } from '../support/gltf-builder.ts';
import { cleanInput, found, namesIn } from './clean.ts';

const clean = await cleanInput();

/** No number that is none, anywhere in a result. */
function isPlain(value: unknown): boolean {
  if (typeof value === 'number') return Number.isFinite(value);
  if (value === null || typeof value !== 'object') return true;
  return Object.values(value).every(isPlain);
}

describe('an audit of what is hardly a rig', () => {
  const without: [string, AuditInput][] = [
    ['no mesh', { ...clean, skins: [] }],
    [
      'no weight anywhere',
      { ...clean, skins: clean.skins.map((skin) => ({ ...skin, weights: new Float32Array(skin.weights.length) })) },
    ],
    ['no triangle', { ...clean, skins: clean.skins.map((skin) => ({ ...skin, triangles: new Uint32Array(0) })) }],
    [
      'all vertices at one place',
      { ...clean, skins: clean.skins.map((skin) => ({ ...skin, positions: new Float32Array(skin.positions.length) })) },
    ],
    [
      'no roles',
      {
        ...clean,
        posture: undefined,
        body: { ...clean.body, humanoid: false, roles: {}, helpers: [], spineChain: [], neckChain: [] },
      },
    ],
    [
      'legs only',
      {
        ...clean,
        body: { ...clean.body, roles: { hips: clean.body.roles.hips, leftUpperLeg: clean.body.roles.leftUpperLeg } },
      },
    ],
    [
      'all joints at one place',
      { ...clean, skeleton: { ...clean.skeleton, restTranslations: new Float64Array(clean.skeleton.jointCount * 3) } },
    ],
  ];

  it.each(without)('ends with plain numbers: %s', (_, input) => {
    const audit = auditRig(input);
    expect(isPlain(audit)).toBe(true);
    expect(JSON.parse(JSON.stringify(audit))).toEqual(audit);
    expect(isPlain(planMending(input))).toBe(true);
  });

  it('tells that joints lie outside of a mesh that is one point', () => {
    expect(found(auditRig(without[3]![1]), 'joint-outside-mesh')!.where.length).toBeGreaterThan(20);
  });

  it('tells that no vertex has a weight, and finds nothing to take weights from', () => {
    const input = without[1]![1];
    const audit = auditRig(input);
    expect(found(audit, 'no-weight')!.value).toBe(Math.max(...clean.skins.map(({ vertexCount }) => vertexCount)));
    expect(planMending(input)).toEqual({ actions: [], meshes: [] });
  });

  it('audits two joints and four vertices', () => {
    const builder = new GltfBuilder();
    const joints = builder.chain([{ name: 'root' }, { name: 'tip', translation: [0, 1, 0] }]);
    const mesh = builder.mesh({
      POSITION: builder.accessor('VEC3', new Float32Array([0, 0, 0, 1, 0, 0, 0, 1, 0]), {
        min: [0, 0, 0],
        max: [1, 1, 0],
      }),
      JOINTS_0: builder.accessor('VEC4', new Uint8Array(12)),
      WEIGHTS_0: builder.accessor('VEC4', new Float32Array([1, 0, 0, 0, 0.5, 0, 0, 0, 0, 0, 0, 0])),
    });
    builder.skin(joints);
    builder.scene([joints[0]!, builder.node({ name: 'skin', mesh, skin: 0 })]);
    const audit = auditRig(auditInput(readCharacter(parseContainer(builder.glb(), 'two.glb'))));
    expect(audit.findings.map(({ id, severity }) => [id, severity])).toEqual([
      ['no-weight', 'fault'],
      ['weight-sum', 'fault'],
    ]);
    expect(found(audit, 'no-weight')!.where[0]!.vertices).toEqual([[2, 2]]);
    expect(namesIn(found(audit, 'weight-sum'))).toEqual(['root']);
    expect(audit.exercise).toBeNull();
  });

  it('leaves its input as it was', () => {
    const copy = structuredClone(clean);
    auditRig(clean);
    planMending(clean);
    expect(clean.skeleton).toEqual(copy.skeleton);
    expect(clean.skins[0]!.weights.every((w, i) => w === copy.skins[0]!.weights[i])).toBe(true);
    expect(clean.skins[0]!.joints.every((j, i) => j === copy.skins[0]!.joints[i])).toBe(true);
    expect(clean.body).toEqual(copy.body);
    expect(clean.posture).toEqual(copy.posture);
  });
});
