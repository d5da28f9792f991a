import { describe, expect, it } from 'vitest';
import { convert } from '../../src/convert/convert.ts';
import { contactsOf, handRestsOf } from '../../src/convert/measured.ts';
import { type Performer, performerFromBvh } from '../../src/convert/performer.ts';
import type { Receiver } from '../../src/convert/receiver.ts';
import { figure } from '../support/figure.ts';
import { buildWalker } from '../support/walker.ts';

const walker = buildWalker();

function performer(): Performer {
  return performerFromBvh('walk.bvh', { skeleton: walker.skeleton, clip: walker.clip, channels: [] }, []);
}

/** A bare figure as a character that takes motion: nothing of its file is asked for. */
function receiver(legs: number): Receiver {
  const actor = figure({ legs, fingers: true });
  return { actor, skins: [], body: actor.body, notes: [] } as unknown as Receiver;
}

describe('what a figure tells by itself', () => {
  it('is measured once for all characters that take the motion, and changes nothing of what they get', () => {
    const shared = performer();
    const short = receiver(0.8);
    const first = convert(shared, receiver(1.2));
    const second = convert(shared, short);
    expect(second.contacts).toBe(first.contacts);
    expect(second.plants.length).toBeGreaterThan(8);
    const alone = convert(performer(), receiver(0.8));
    expect(second.clip.rotations).toEqual(alone.clip.rotations);
    expect(second.plants).toEqual(alone.plants);
    // A second clip on the same character.
    expect(convert(performer(), short).clip.rotations).toEqual(alone.clip.rotations);
  });

  it('is measured anew for a motion that was filtered', () => {
    const shared = performer();
    const cut = convert(shared, receiver(1), { filter: { trim: { to: 1 } } });
    expect(cut.contacts).not.toBe(contactsOf(shared));
    expect(handRestsOf(cut.performer).frameCount).toBe(cut.clip.frameCount);
    expect(cut.clip.frameCount).toBeLessThan(shared.clip.frameCount);
  });
});
