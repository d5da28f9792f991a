import { describe, expect, it } from 'vitest';
import type { RoleMap } from '../../src/pairing/roles.ts';
import { createBuild } from '../../src/proof/build.ts';
import { gapsOver, outlineOf, seenFrom } from '../../src/proof/outline.ts';
import { buildTrack, jointPath } from '../../src/proof/track.ts';
import { createClip } from '../../src/skeleton/clip.ts';
import type { SkinMesh } from '../../src/skeleton/skin.ts';
import { biped } from '../support/biped.ts';
import { axisAngle } from '../support/quat.ts';
import { skinBall } from '../support/skin-ball.ts';

const skeleton = biped();
const roles: RoleMap = Object.fromEntries(skeleton.names.map((name, j) => [name, j]));
const build = (skins: SkinMesh[] = []) => createBuild({ skeleton, roles, skins });
const { legLength } = build();
/** Toes at 0.02 m, head joint at 1.54 m. */
const STATURE = 1.52;

/** How far points are over the skin, metres: given from the middle of the part, to the left, up and ahead. */
function over(part: 'head' | 'hips', points: number[][], skins: SkinMesh[] = []): number[] {
  const seen = Float64Array.from(points.flat(), (x) => x / legLength);
  return [...gapsOver(outlineOf(build(skins), part)!, seen, 0)].map((gap) => gap * legLength);
}

describe('the outline of a person', () => {
  it('is as broad as hip joints and half a thigh, and less deep', () => {
    const aside = 0.09 + 0.05 * STATURE;
    const gaps = over('hips', [
      [aside + 0.1, 0, 0],
      [-aside - 0.1, 0.1, 0],
      [0, 0, 0.05 * STATURE + 0.1],
      [0, -0.1, -0.08 * STATURE - 0.1],
      [0, 0, 0],
    ]);
    for (const gap of gaps.slice(0, 4)) expect(gap).toBeCloseTo(0.1, 6);
    expect(gaps[4]).toBe(0);
  });

  it('ends over the head, and goes on under it', () => {
    const gaps = over('head', [
      [0, 0.1 * STATURE + 0.1, 0],
      [0, -0.3, 0],
      [0.05 * STATURE + 0.1, -0.3, 0],
    ]);
    expect(gaps[0]).toBeCloseTo(0.1, 6);
    expect(gaps[1]).toBe(0);
    expect(gaps[2]).toBeCloseTo(0.1, 6);
  });
});

describe('the outline of a mesh', () => {
  it('is where its skin is on each side', () => {
    // A head of 0.2 m around a point 0.1 m ahead of its joint and as high over it.
    const head = skinBall(skeleton, roles.head!, [0, 0.1, 0.1], 0.2);
    const gaps = over(
      'head',
      [
        [0, 0.1, 0.5],
        [0, 0.1, -0.5],
        [0, 0.5, 0.1],
      ],
      [head],
    );
    // A ball narrows toward its poles: most of its skin is a little nearer than its farthest.
    expect(Math.abs(gaps[0]! - (0.5 - 0.3))).toBeLessThan(0.03);
    expect(Math.abs(gaps[1]! - (0.5 - 0.1))).toBeLessThan(0.03);
    expect(Math.abs(gaps[2]! - (0.5 - 0.3))).toBeLessThan(0.03);
  });

  it('of the hips leaves out hands that hang beside them', () => {
    const belly = skinBall(skeleton, roles.hips!, [0, -0.05, 0], 0.25);
    const hand = skinBall(skeleton, roles.leftHand!, [-0.2, -0.48, 0], 0.1);
    const points = [[0.6, 0, 0]];
    expect(over('hips', points, [belly, hand])).toEqual(over('hips', points, [belly]));
    expect(Math.abs(over('hips', points, [belly])[0]! - 0.35)).toBeLessThan(0.02);
  });
});

describe('a hand as seen from the head', () => {
  it('is seen the same however the body moves and turns', () => {
    const clip = createClip('turn', 2, 1 / 30, skeleton.jointCount, [roles.hips!]);
    for (let i = 3; i < clip.rotations.length; i += 4) clip.rotations[i] = 1;
    clip.translations.set([0, 0.97, 0, 3, 1.5, -2]);
    clip.rotations.set(axisAngle(0.6, 0.8, 0, 1.9), skeleton.jointCount * 4);
    const track = buildTrack({ skeleton, clip, roles, skins: [] }, 2, 0, 1);
    const { seat } = outlineOf(track.build, 'head')!;
    const path = jointPath(track, roles.leftHand!);
    const seen = seenFrom(track, seat, path, 2);
    // Of the T-pose: shoulder, upper arm and forearm aside; 0.14 m under the head joint and 0.02 m behind it.
    const [x, y, z] = [0.17 + 0.28 + 0.25, -0.14, -0.02];
    for (const f of [0, 1]) {
      for (const [k, at] of [x, y, z].entries()) expect(seen[f * 3 + k]! * legLength).toBeCloseTo(at!, 5);
    }
    expect(seenFrom(track, seat, path, 0.5).every(Number.isNaN)).toBe(true);
  });
});
