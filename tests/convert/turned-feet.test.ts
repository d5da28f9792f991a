import { existsSync, readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import {
  convert,
  createReceiver,
  openCharacter,
  parseBvh,
  parseContainer,
  performerFromBvh,
  prove,
  sourceFigure,
  targetFigure,
} from '../../src/index.ts';

const DATA = new URL('../../../shared/data/', import.meta.url);
const CLIP = new URL('bvh-library/salsa_01.bvh', DATA);
const RIGS = ['man_casual.glb', 'slim_vrm0.vrm', 'knight.glb'];

/** A dance in whose capture both feet turn over under their shins, six times, at up to 49 degrees a frame. */
describe.skipIf(!existsSync(CLIP))('feet that turn over in a capture (needs ../shared/data/bvh-library)', () => {
  it.each(RIGS)('pop no more on %s than on the performer, and their skin is not blamed', async (rig) => {
    const file = parseBvh(readFileSync(CLIP), 'salsa_01.bvh');
    const performer = performerFromBvh(file.name, file.takes[0]!, file.notes);
    const receiver = createReceiver(
      await openCharacter(parseContainer(readFileSync(new URL(`rigs/${rig}`, DATA)), rig)),
    );
    const { clip } = convert(performer, receiver);
    const proof = prove(targetFigure(receiver, clip), sourceFigure(performer));
    for (const id of ['pops', 'skin-collapse'])
      expect(proof.measures.find((measure) => measure.id === id)).toMatchObject({ id, verdict: 'pass', where: [] });
  });
});
