import { describe, expect, it } from 'vitest';
import { boundBelow, createLowProbe, lowestVertex } from '../../src/skeleton/lowest-vertex.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';
import { type SkinMesh, skinVertices } from '../../src/skeleton/skin.ts';
import { randomQuat, seeded } from '../support/figure.ts';

const JOINTS = 5;
const VERTICES = 200;
/** Metres: sums of Float64 in another order. */
const ROUNDING = 1e-12;

/** A mesh of random vertices with up to four influences, whose weights need not sum to 1; joint 4 moves nothing. */
function randomSkin(random: () => number): SkinMesh {
  const bind = Float64Array.from({ length: JOINTS * 12 }, () => random() * 2 - 1);
  return {
    name: 'random',
    vertexCount: VERTICES,
    positions: Float32Array.from({ length: VERTICES * 3 }, () => random() * 0.4 - 0.2),
    triangles: new Uint32Array(0),
    influences: 4,
    joints: Uint16Array.from({ length: VERTICES * 4 }, () => Math.floor(random() * 4)),
    weights: Float32Array.from({ length: VERTICES * 4 }, () => (random() < 0.3 ? 0 : random())),
    bind,
  };
}

describe('the lowest vertex', () => {
  it('is the lowest of all that are skinned, and above its bound', () => {
    for (let seed = 1; seed <= 50; seed++) {
      const random = seeded(seed);
      const skin = randomSkin(random);
      const pose = createWorldPose(JOINTS);
      for (let j = 0; j < JOINTS; j++) {
        pose.rotations.set(randomQuat(random), j * 4);
        for (let k = 0; k < 3; k++) pose.positions[j * 3 + k] = random() * 2 - 1;
      }
      const world = new Float64Array(VERTICES * 3);
      skinVertices(skin, pose, world, new Float64Array(skin.bind.length));
      const heights = world.filter((_, i) => i % 3 === 1);
      const probe = createLowProbe(skin);
      expect([...probe.joints]).toEqual([0, 1, 2, 3]);
      const lowest = lowestVertex(probe, pose);
      expect(Math.abs(lowest - Math.min(...heights))).toBeLessThan(ROUNDING);
      expect(Math.abs(heights[probe.lowest]! - lowest)).toBeLessThan(ROUNDING);
      expect(boundBelow(probe, pose)).toBeLessThan(lowest + ROUNDING);
    }
  });

  it('is met by its bound where one joint carries a single vertex', () => {
    const random = seeded(7);
    const skin = { ...randomSkin(random), vertexCount: 1, influences: 1, weights: Float32Array.of(0.7) };
    const pose = createWorldPose(JOINTS);
    for (let j = 0; j < JOINTS; j++) pose.rotations.set(randomQuat(random), j * 4);
    const probe = createLowProbe(skin);
    expect(Math.abs(boundBelow(probe, pose) - lowestVertex(probe, pose))).toBeLessThan(ROUNDING);
  });
});
