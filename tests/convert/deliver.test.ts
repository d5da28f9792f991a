import { describe, expect, it } from 'vitest';
import { makeSamples } from '../../samples/make.ts';
import { rereadFigure } from '../../src/convert/reread.ts';
import {
  convert,
  createReceiver,
  deliver,
  openCharacter,
  parseBvh,
  parseContainer,
  performerFromBvh,
} from '../../src/index.ts';
import { angleBetweenQuats } from '../../src/math/quat.ts';

const CLIP = 'night-round.bvh';
const RIG = 'tamsel.glb';
const DEGREES = 180 / Math.PI;
/** Degrees: the default, and what the README promises of all joints. */
const TOLERANCE = 0.05;
/** Degrees: Float32 copies of the clip, of the file and of the reading. */
const FLOAT32 = 2e-4;

async function delivered() {
  const samples = await makeSamples();
  const file = parseBvh(samples.get(CLIP)!, CLIP);
  const receiver = createReceiver(await openCharacter(parseContainer(samples.get(RIG)!, RIG)));
  const { clip } = convert(performerFromBvh(CLIP, file.takes[0]!, file.notes), receiver);
  const { bytes } = deliver(receiver, clip, { name: 'round' });
  const written = await openCharacter(parseContainer(bytes, RIG), {
    referencePose: receiver.character.referencePose.kind,
  });
  return { receiver, clip, figure: rereadFigure(receiver, written, written.animations.length - 1) };
}

describe('a delivered motion with fewer keys', () => {
  it('turns joints that carry a foot by less than a third of what others may be off', async () => {
    const { receiver, clip, figure } = await delivered();
    const { roles } = receiver.actor.body;
    const { names, parents } = receiver.actor.skeleton;
    expect(figure.clip.frameCount).toBe(clip.frameCount);
    const worst = names.map((name, j) => {
      const k = figure.skeleton.names.indexOf(name);
      let largest = 0;
      for (let f = 0; f < clip.frameCount; f++) {
        const from = (f * clip.jointCount + j) * 4;
        const to = (f * figure.clip.jointCount + k) * 4;
        largest = Math.max(largest, angleBetweenQuats(clip.rotations, from, figure.clip.rotations, to) * DEGREES);
      }
      return largest;
    });
    const carriers = new Set<number>();
    for (const foot of [roles.leftFoot!, roles.rightFoot!]) {
      for (let j = foot; j >= 0; j = parents[j]!) carriers.add(j);
    }
    expect(carriers.size).toBeGreaterThan(6);
    for (const j of carriers) expect(worst[j], names[j]).toBeLessThan(0.3 * TOLERANCE + FLOAT32);
    const others = worst.filter((_, j) => !carriers.has(j));
    expect(Math.max(...others)).toBeLessThan(TOLERANCE + FLOAT32);
    // Fewer keys are worth their while elsewhere.
    expect(Math.max(...others)).toBeGreaterThan(0.5 * TOLERANCE);
  });
});
