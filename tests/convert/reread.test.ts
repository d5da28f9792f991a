import { describe, expect, it } from 'vitest';
import { makeSamples } from '../../samples/make.ts';
import {
  convert,
  createReceiver,
  deliver,
  openCharacter,
  parseBvh,
  parseContainer,
  performerFromBvh,
  rereadCharacter,
  rereadFigure,
} from '../../src/index.ts';

const CLIP = 'night-round.bvh';
const RIG = 'tamsel.glb';

async function delivered() {
  const samples = await makeSamples();
  const file = parseBvh(samples.get(CLIP)!, CLIP);
  const receiver = createReceiver(await openCharacter(parseContainer(samples.get(RIG)!, RIG)));
  const { clip } = convert(performerFromBvh(CLIP, file.takes[0]!, file.notes), receiver);
  return { receiver, container: parseContainer(deliver(receiver, clip, { name: 'round' }).bytes, RIG) };
}

describe('a delivered character that is read back', () => {
  it('keeps the reference pose for which its motion was made', async () => {
    const { receiver, container } = await delivered();
    const { character } = await rereadCharacter(receiver, container);
    expect(character.referencePose.kind).toBe(receiver.character.referencePose.kind);
    const { skeleton } = rereadFigure(receiver, character, 0);
    expect(skeleton.restRotations).toEqual(receiver.actor.skeleton.restRotations);
  });

  it('is refused where the delivered motion was taken for its reference pose', async () => {
    const { receiver, container } = await delivered();
    const stranger = await openCharacter(container, { referencePose: 'first key' });
    expect(() => rereadFigure(receiver, stranger, 0)).toThrow(
      expect.objectContaining({ code: 'REREAD_REFERENCE_POSE', hint: expect.stringContaining('rereadCharacter') }),
    );
  });
});
