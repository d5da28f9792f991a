import { describe, expect, it } from 'vitest';
import type { RoleMap } from '../../src/pairing/roles.ts';
import { thicknessRatio } from '../../src/proof/thickness.ts';
import { buildTrack } from '../../src/proof/track.ts';
import { createClip } from '../../src/skeleton/clip.ts';
import { restWorldPose } from '../../src/skeleton/skeleton.ts';
import type { SkinMesh } from '../../src/skeleton/skin.ts';
import { bipedRows, type Row, skeletonFrom } from '../support/biped.ts';

/** A person; `hips` widens the hip joints. With `head` or `hand`, a mesh of that radius (m) about that joint. */
function person(change: { hips?: number; head?: number; hand?: number } = {}) {
  const rows = bipedRows().map(([name, parent, [x, y, z]]): Row => {
    return [name, parent, [/UpperLeg|LowerLeg|Foot|Toes/.test(name) ? x * (change.hips ?? 1) : x, y, z]];
  });
  const skeleton = skeletonFrom(rows);
  const roles: RoleMap = Object.fromEntries(skeleton.names.map((name, j) => [name, j]));
  const clip = createClip('still', 1, 1 / 30, skeleton.jointCount, []);
  for (let i = 3; i < clip.rotations.length; i += 4) clip.rotations[i] = 1;
  const skins: SkinMesh[] = [];
  if (change.head) skins.push(ball(roles.head!, change.head));
  if (change.hand) skins.push(ball(roles.leftHand!, change.hand), ball(roles.rightHand!, change.hand));
  return buildTrack({ skeleton, clip, roles, skins }, 1, 0, 1);

  /** Points all around a joint, level, at one distance. */
  function ball(joint: number, radius: number): SkinMesh {
    const count = 24;
    const at = restWorldPose(skeleton).positions.subarray(joint * 3, joint * 3 + 3);
    const positions = new Float32Array(count * 3);
    for (let v = 0; v < count; v++) {
      const angle = (2 * Math.PI * v) / count;
      positions.set([at[0]! + radius * Math.cos(angle), at[1]!, at[2]! + radius * Math.sin(angle)], v * 3);
    }
    // A vertex is fixed to the joint: bind undoes the joint's place (its rest rotation is the identity).
    const bind = new Float64Array(skeleton.jointCount * 12);
    bind.set([1, 0, 0, -at[0]!, 0, 1, 0, -at[1]!, 0, 0, 1, -at[2]!], joint * 12);
    return {
      name: 'ball',
      vertexCount: count,
      positions,
      triangles: new Uint32Array(0),
      influences: 1,
      joints: new Uint16Array(count).fill(joint),
      weights: new Float32Array(count).fill(1),
      bind,
    };
  }
}

describe('how much farther apart thicker bodies touch', () => {
  it('is nothing for the same body, and never less', () => {
    const same = person();
    for (const b of ['rightHand', 'head', 'hips', 'leftLowerLeg'] as const) {
      expect(thicknessRatio(same, person(), 'leftHand', b)).toBe(1);
    }
    expect(thicknessRatio(person({ hips: 0.4, head: 0.02 }), person({ head: 0.1 }), 'leftHand', 'head')).toBe(1);
    expect(thicknessRatio(person({ hips: 0.4 }), same, 'leftHand', 'hips')).toBe(1);
  });

  it('is measured on the mesh of head and hands', () => {
    expect(thicknessRatio(person({ head: 0.3 }), person({ head: 0.1 }), 'leftHand', 'head')).toBeCloseTo(3, 5);
    expect(thicknessRatio(person({ hand: 0.25 }), person({ hand: 0.2 }), 'leftHand', 'rightHand')).toBeCloseTo(1.25, 5);
    // A large head says nothing of the hands.
    expect(thicknessRatio(person({ head: 0.3 }), person(), 'leftHand', 'rightHand')).toBe(1);
  });

  it('grows with the distance of the hip joints', () => {
    // Half the distance, 0.09 m and three times that, and half a thigh of 0.05 / 0.491 leg lengths (0.84 m).
    const thigh = (0.05 / 0.491) * 0.84;
    const ratio = thicknessRatio(person({ hips: 3 }), person(), 'leftHand', 'hips');
    expect(ratio).toBeCloseTo((0.27 + thigh) / (0.09 + thigh), 1);
  });
});
