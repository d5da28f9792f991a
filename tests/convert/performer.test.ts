import { describe, expect, it } from 'vitest';
import { performerFromBvh } from '../../src/convert/performer.ts';
import { sliceClip } from '../../src/convert/slice-clip.ts';
import { readBody } from '../../src/pairing/read-body.ts';
import { restWorldPose } from '../../src/skeleton/skeleton.ts';
import { biped } from '../support/biped.ts';
import { lineUp } from '../support/lined-up.ts';

// A float32 pose down ten joints, and a builder's figure of 1.7 m.
const PLACE_TOLERANCE = 1e-4; // m

describe('a performer whose zero pose is no posture', () => {
  const upright = biped({ fingers: 5 });
  const { skeleton, clip } = lineUp(upright);
  const heightsOf = (figure: typeof skeleton): number[] => {
    const { positions } = restWorldPose(figure);
    const floor = Math.min(...positions.filter((_, i) => i % 3 === 1));
    return figure.names.map((_, j) => positions[j * 3 + 1]! - floor);
  };

  it('stands as in the frame that its body was read from, and as its maker built it', () => {
    const performer = performerFromBvh('lined-up.bvh', { skeleton, clip, channels: [] }, []);
    const { actor, body, notes } = performer;
    expect(body.poseFrame).toBe(readBody({ skeleton, clip }).poseFrame);
    const told = notes.filter(({ code }) => code === 'ALIGN_REST_REPLACED');
    expect(told.map(({ place }) => place?.frame)).toEqual([body.poseFrame]);
    for (const [role, j] of Object.entries(body.roles)) expect(upright.names[j]).toBe(role);
    const expected = heightsOf(upright);
    heightsOf(actor.skeleton).forEach((height, j) => {
      expect(Math.abs(height - expected[j]!), upright.names[j]).toBeLessThan(PLACE_TOLERANCE);
    });
  });

  it('takes a frame of its own where the body was read with a longer clip', () => {
    const read = readBody({ skeleton, clip });
    const short = { ...sliceClip(clip, 0, 1), name: 'short' };
    expect(read.poseFrame).toBeGreaterThan(0);
    const { body, actor } = performerFromBvh('short.bvh', { skeleton, clip: short, channels: [] }, [], { body: read });
    expect(body.poseFrame).toBe(0);
    expect(body.roles).toEqual(read.roles);
    expect(heightsOf(actor.skeleton)[body.roles.head!]).toBeGreaterThan(1.3);
  });
});
