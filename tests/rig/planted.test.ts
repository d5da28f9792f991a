import { describe, expect, it } from 'vitest';
import { FAULT_IDS, FIFTEEN_FAULTS, makeFaulty, type PlantedFault } from '../../samples/faulty.ts';
import { auditCharacter } from '../../src/convert/audit.ts';
import { parseContainer } from '../../src/formats/gltf/container.ts';
import { readCharacter } from '../../src/formats/gltf/read-character.ts';
import type { Audit, Finding } from '../../src/rig/audit.ts';

/** Where the list of the samples and the audit use different words. */
const FINDING_OF: { [planted: string]: string } = {
  'below-floor': 'floor-height',
  'five-influences': 'many-influences',
};

async function auditOf(ids: readonly string[]): Promise<{ audit: Audit; planted: PlantedFault[] }> {
  const { glb, planted } = await makeFaulty(ids);
  return { audit: auditCharacter(readCharacter(parseContainer(glb, 'faulty.glb'))).audit, planted };
}

const findingFor = (audit: Audit, id: string): Finding | undefined =>
  audit.findings.find((found) => found.id === (FINDING_OF[id] ?? id));

const verticesOf = (found: Finding): number[] =>
  [
    ...new Set(
      found.where.flatMap(({ vertices }) =>
        vertices.flatMap(([first, last]) => Array.from({ length: last - first + 1 }, (_, i) => first + i)),
      ),
    ),
  ].sort((a, b) => a - b);

describe('faults that were planted in the clean sample', () => {
  it('raises nothing on the clean sample', async () => {
    const { audit } = await auditOf([]);
    expect(audit.findings).toEqual([]);
    expect(audit.scores.every(({ score }) => score === 100)).toBe(true);
    expect(audit.sound).toBe(true);
  });

  it('finds all fifteen at once, with the right joints and exactly the right vertices', async () => {
    const { audit, planted } = await auditOf(FIFTEEN_FAULTS);
    expect(planted).toHaveLength(15);
    for (const { id, joints, vertices } of planted) {
      const found = findingFor(audit, id);
      expect(found, id).toBeDefined();
      const named = found!.where.flatMap((place) => place.joints);
      expect(named, id).toEqual(expect.arrayContaining(joints));
      if (vertices.length > 0) expect(verticesOf(found!), id).toEqual(vertices);
    }
    expect(audit.sound).toBe(false);
  });

  it('invents none beside the fifteen', async () => {
    const { audit, planted } = await auditOf(FIFTEEN_FAULTS);
    const known = new Set<string>(planted.map(({ id }) => FINDING_OF[id] ?? id));
    // Vertices that stay behind, or follow the other leg, do tear the skin.
    expect(audit.findings.map(({ id }) => id).filter((id) => !known.has(id))).toEqual(['skin-stretch']);
  });

  it.each(FAULT_IDS)('finds %s alone', async (id) => {
    const { audit, planted } = await auditOf([id]);
    const found = findingFor(audit, id);
    expect(found, audit.findings.map((f) => f.id).join(' ')).toBeDefined();
    expect(found!.severity).not.toBe('note');
    const { joints, vertices } = planted[0]!;
    expect(found!.where.flatMap((place) => place.joints)).toEqual(expect.arrayContaining(joints));
    if (vertices.length > 0 && id !== 'weight-mirror') expect(verticesOf(found!)).toEqual(vertices);
    if (id === 'weight-mirror') expect(vertices).toEqual(expect.arrayContaining(verticesOf(found!)));
    // Weights of a fifth each, from hips to neck, do drag the back; a thumb moved on one side only is not mirrored.
    const more = audit.findings.map((f) => f.id).filter((other) => other !== found!.id);
    const alike: { [id: string]: string[] } = {
      'five-influences': ['bleed'],
      'joint-outside-mesh': ['mirror-position'],
      // Skin that stays behind, or follows the other leg, tears in the exercise.
      'no-weight': ['skin-stretch'],
      'control-weight': ['skin-stretch'],
      bleed: ['skin-stretch'],
    };
    expect(more).toEqual(alike[id] ?? []);
  });

  it('is plain data', async () => {
    const { audit } = await auditOf(FIFTEEN_FAULTS);
    expect(JSON.parse(JSON.stringify(audit))).toEqual(audit);
  });
});
