import { describe, expect, it } from 'vitest';
import { convert } from '../../src/convert/convert.ts';
import { performerFromCharacter } from '../../src/convert/performer.ts';
import { createReceiver } from '../../src/convert/receiver.ts';
import type { Mapping } from '../../src/pairing/mapping.ts';
import { type Clip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createWorldPose, restWorldPose, type Skeleton } from '../../src/skeleton/skeleton.ts';
import { HAS_RIGS, RIGS_REASON, readRig } from '../support/rigs.ts';

const TAIL: Mapping = {
  chains: [
    {
      source: ['Spine1', 'Spine2', 'Spine3', 'Tail'],
      target: ['Tail1', 'Tail2', 'Tail3', 'Tail4', 'Tail5', 'Tail6', 'Tail7'],
    },
  ],
};

/** Angle (rad) between where the joint's rotation has taken a level direction and where that pointed at rest. */
function turnOf(skeleton: Skeleton, clip: Clip, f: number, name: string): number {
  const j = skeleton.names.indexOf(name) * 4;
  const rest = restWorldPose(skeleton).rotations;
  const pose = createWorldPose(skeleton.jointCount);
  framePose(skeleton, clip, f, restLocalPose(skeleton), pose);
  let dot = 0;
  for (let k = 0; k < 4; k++) dot += rest[j + k]! * pose.rotations[j + k]!;
  return 2 * Math.acos(Math.min(1, Math.abs(dot)));
}

describe.skipIf(!HAS_RIGS)(`chains of bodies that are not human${RIGS_REASON}`, () => {
  it('a horse wags its tail as the fish swims', async () => {
    const [fish, horse] = await Promise.all([readRig('fish.glb'), readRig('horse.glb')]);
    const performer = performerFromCharacter(fish.character, 0, 30, { anyBody: true });
    const receiver = createReceiver(horse.character, { anyBody: true });
    const { clip, notes } = convert(performer, receiver, { mapping: TAIL });
    expect(notes).toEqual([]);
    let most = 0;
    for (let f = 0; f < clip.frameCount; f++) {
      const swim = turnOf(performer.actor.skeleton, performer.clip, f, 'Tail');
      most = Math.max(most, swim);
      // Float32 keys, and arccosine near 1: 0.04 degree.
      expect(turnOf(receiver.actor.skeleton, clip, f, 'Tail7')).toBeCloseTo(swim, 2);
      expect(turnOf(receiver.actor.skeleton, clip, f, 'Head')).toBeCloseTo(
        turnOf(performer.actor.skeleton, performer.clip, f, 'Root'),
        2,
      );
    }
    expect(most).toBeGreaterThan(0.1);
  });

  it('without a chain they are refused', async () => {
    const { character } = await readRig('horse.glb');
    expect(() => createReceiver(character)).toThrowError(expect.objectContaining({ code: 'PAIR_NOT_HUMANOID' }));
  });

  it('a joint that is not there is named', async () => {
    const { character } = await readRig('fish.glb');
    const performer = performerFromCharacter(character, 0, 30, { anyBody: true });
    const mapping = { chains: [{ source: ['Spine1', 'Spine2'], target: ['Spine1', 'Spin3'] }] };
    expect(() => convert(performer, createReceiver(character, { anyBody: true }), { mapping })).toThrowError(
      expect.objectContaining({ code: 'MAP_JOINT_UNKNOWN', hint: expect.stringContaining('Spine3') }),
    );
  });
});
