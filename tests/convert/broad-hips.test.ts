import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { convert, sourceFigure, targetFigure } from '../../src/convert/convert.ts';
import { performerFromBvh } from '../../src/convert/performer.ts';
import { createReceiver } from '../../src/convert/receiver.ts';
import { parseBvh } from '../../src/formats/bvh/reader.ts';
import { prove } from '../../src/proof/prove.ts';
import { MEASURE_RULES } from '../../src/proof/thresholds.ts';
import { HAS_RIGS, RIGS_REASON, readRig } from '../support/rigs.ts';

const CLIPS = new URL('../../../shared/data/bvh/', import.meta.url);

describe(`figures whose hips are broad for their legs${RIGS_REASON}`, () => {
  it.skipIf(!HAS_RIGS).each([
    // Hips 0.9 and 0.4 of a leg apart, straight knees at 30 frames a second: 7.1 and 5.2 degrees when knees may have corners.
    ['zup_zombie_walk.bvh', 'stocky_moves_nomesh.glb', 3.5],
    ['zup_zombie_walk.bvh', 'boxman.glb', 3.5],
    // Two leg lengths apart: 5.5 degrees.
    ['cmu_walk.bvh', 'bunny.glb', 4],
    // 10 degrees where the pelvis swings the hips as the performer's does.
    ['zup_zombie_walk.bvh', 'bunny.glb', 4.8],
  ] as const)('%s moves the knees of %s without a pop', async (clipName, rig, most) => {
    const { takes, notes } = parseBvh(readFileSync(new URL(clipName, CLIPS)), clipName);
    const performer = performerFromBvh(clipName, takes[0]!, notes);
    const receiver = createReceiver((await readRig(rig)).character);
    const { clip, contacts, unreached } = convert(performer, receiver);
    const proof = prove(targetFigure(receiver, clip), sourceFigure(performer), {
      contacts: contacts ?? undefined,
      unreached,
    });
    const pops = proof.measures.find(({ id }) => id === 'pops')!;
    expect(pops.value).toBeLessThan(most);
    expect(most).toBeLessThan(MEASURE_RULES.pops.threshold);
  });
});
