import { NodeIO } from '@gltf-transform/core';
import { describe, expect, it } from 'vitest';
import { CHARACTERS } from '../../samples/characters.ts';
import { DEGREE, multiply, rotate, scale, turn, Y } from '../../samples/math.ts';
import { type Rig, toDocument } from '../../samples/rig.ts';
import { auditCharacter } from '../../src/convert/audit.ts';
import { parseContainer } from '../../src/formats/gltf/container.ts';
import { readCharacter } from '../../src/formats/gltf/read-character.ts';
import { HAS_RIGS, RIG_FILES, RIGS_REASON, readRig, rigTruth } from '../support/rigs.ts';
import { found, namesIn } from './clean.ts';

describe(`the audit of real rigs${RIGS_REASON}`, () => {
  // What is known of these files stands in truth.json and FACTS.md beside them.
  it.skipIf(!HAS_RIGS).each(RIG_FILES)('agrees with what is known of %s', async (file) => {
    const truth = rigTruth()[file]! as ReturnType<typeof rigTruth>[string] & { feet_detached?: boolean };
    const { audit, body } = auditCharacter((await readRig(file)).character);
    expect(body.humanoid).toBe(truth.humanoid);
    expect(found(audit, 'limb-chain') !== undefined).toBe(truth.humanoid && truth.feet_detached === true);
    const posed = found(audit, 'rest-not-bind')?.value ?? 0;
    // "Differ on most joints": FACTS.md. The animals' rest poses are not described there.
    if (truth.humanoid) expect(posed > 0.5).toBe(truth.rest_equals_bind === false);
    if (!truth.humanoid) expect(audit.scores).toEqual([{ part: 'whole', score: expect.any(Number) }]);
    expect(audit.findings.filter(({ where }) => where.length === 0)).toEqual([]);
  });

  it.skipIf(!HAS_RIGS)('tells the names, weights and arms of which FACTS.md speaks', async () => {
    const audits = new Map(
      await Promise.all(
        ['knight.glb', 'unnamed_man.gltf', 'boxman.glb'].map(
          async (file) => [file, auditCharacter((await readRig(file)).character).audit] as const,
        ),
      ),
    );
    // `Thumb.R` is the left thumb.
    expect(namesIn(found(audits.get('knight.glb')!, 'side-name-wrong'))).toEqual([
      'Thumb.L',
      'Thumb.R',
      'Thumb2.L',
      'Thumb2.R',
    ]);
    // Weights that sum to as little as 0.185; facing +X.
    const sums = found(audits.get('unnamed_man.gltf')!, 'weight-sum')!;
    expect(sums.value).toBeCloseTo(1 - 0.185, 2);
    expect(found(audits.get('unnamed_man.gltf')!, 'facing-axis')!.value).toBeCloseTo(90, 6);
    // Arms that do not hang from the spine.
    expect(namesIn(found(audits.get('boxman.glb')!, 'arms-off-spine'))).toEqual(['arm_upper.L', 'arm_upper.R']);
  });

  it.skipIf(!HAS_RIGS)('finds no fault in rigs that are in use as they are', async () => {
    for (const file of [
      'man_casual.glb',
      'bunny.glb',
      'boxman.glb',
      'astronaut_draco.glb',
      'skeleton_vrm1.vrm',
      'horse.glb',
      'fish.glb',
      'stocky_moves_nomesh.glb',
    ]) {
      const { audit } = auditCharacter((await readRig(file)).character);
      expect(
        audit.findings.filter(({ severity }) => severity === 'fault').map(({ id }) => id),
        file,
      ).toEqual([]);
    }
  });
});

const sampleAudit = async (name: string, change: (rig: Rig) => void = () => {}) => {
  const rig = CHARACTERS[name]!();
  change(rig);
  const glb = await new NodeIO().writeBinary(toDocument(rig));
  return auditCharacter(readCharacter(parseContainer(glb, name))).audit;
};

describe('the audit of the samples', () => {
  it('tells of the lantern carrier that feet and hands hang from the root, and nothing of what it carries', async () => {
    const audit = await sampleAudit('oriv');
    expect(audit.findings.filter(({ severity }) => severity !== 'note').map(({ id }) => id)).toEqual(['limb-chain']);
    expect(namesIn(audit.findings[0])).toEqual(['l_foot_ctl', 'l_hand_ctl', 'r_foot_ctl', 'r_hand_ctl']);
    expect(JSON.stringify(audit)).not.toContain('signal_lantern');
  });

  it('judges a character alike at 3.7 times the size, and says when it looks another way', async () => {
    const large = await sampleAudit('tamsel', (rig) => {
      for (const joint of rig.joints) joint.position = scale(joint.position, 3.7);
      rig.shell.positions.forEach((p, v) => {
        rig.shell.positions[v] = scale(p, 3.7);
      });
    });
    expect(large.findings).toEqual([]);
    for (const [degrees, expected] of [
      [90, ['facing-axis']],
      [30, ['facing']],
    ] as const) {
      const q = turn(Y, degrees * DEGREE);
      const turned = await sampleAudit('tamsel', (rig) => {
        for (const joint of rig.joints) {
          joint.position = rotate(q, joint.position);
          joint.rotation = multiply(q, joint.rotation);
        }
        rig.shell.positions.forEach((p, v) => {
          rig.shell.positions[v] = rotate(q, p);
        });
      });
      expect(turned.findings.map(({ id }) => id)).toEqual(expected);
    }
  });

  it.each(['tamsel', 'bodge', 'pim'])('finds neither fault nor warning in %s', async (name) => {
    const audit = await sampleAudit(name);
    expect(audit.findings.filter(({ severity }) => severity !== 'note').map(({ id }) => id)).toEqual([]);
  });
});
