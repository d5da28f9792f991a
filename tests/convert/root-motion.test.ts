import { describe, expect, it } from 'vitest';
import { alignFigure } from '../../src/alignment/alignment.ts';
import { restAnkleHeights } from '../../src/alignment/soles.ts';
import { applyRootMotion, withTravel } from '../../src/convert/root-motion.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import { type Clip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createWorldPose, restWorldPose } from '../../src/skeleton/skeleton.ts';
import { bodyOf, figure, wander } from '../support/figure.ts';
import { axisAngle, product } from '../support/quat.ts';
import { buildWalker } from '../support/walker.ts';

/** m. Float32 locals of a figure that is some metres from the origin: 2.4e-7 a coordinate, a few joints down. */
const SAME_PLACE = 5e-6;
/** m/s. Float32 keys 0.5 µm off at both ends of 3.6 s. */
const STILL = 1e-6;

function walkerActor(): { actor: Actor; clip: Clip } {
  const { skeleton, clip, roles } = buildWalker();
  const body = bodyOf(skeleton, roles, 1.5);
  return {
    actor: { skeleton, body, alignment: alignFigure(skeleton, body, restAnkleHeights(skeleton, roles, [])) },
    clip,
  };
}

/** World positions, frames × joints × 3. */
function worldOf({ skeleton }: Actor, clip: Clip): Float64Array {
  const out = new Float64Array(clip.frameCount * skeleton.jointCount * 3);
  const pose = createWorldPose(skeleton.jointCount);
  const local = restLocalPose(skeleton);
  for (let f = 0; f < clip.frameCount; f++) {
    framePose(skeleton, clip, f, local, pose);
    out.set(pose.positions, f * skeleton.jointCount * 3);
  }
  return out;
}

const worst = (a: Float64Array, b: Float64Array): number =>
  a.reduce((most, x, i) => Math.max(most, Math.abs(x - b[i]!)), 0);

/** The walk on a figure with a root on the floor and detached feet; the way is a quarter circle. */
function curvedWalk(): { target: Actor; clip: Clip } {
  const { actor, clip } = walkerActor();
  const turned = { ...clip, rotations: clip.rotations.slice(), translations: clip.translations.slice() };
  for (let f = 0; f < clip.frameCount; f++) {
    const angle = (Math.PI / 2) * (f / (clip.frameCount - 1));
    const at = f * clip.jointCount * 4;
    turned.rotations.set(product(axisAngle(0, 1, 0, angle), turned.rotations.subarray(at, at + 4)), at);
    turned.translations[f * 3] = 2 * (1 - Math.cos(angle));
    turned.translations[f * 3 + 2] = 2 * Math.sin(angle);
  }
  const target = figure({ detachedFeet: true, rollSeed: 4 });
  return { target, clip: retargetClip(compileRetarget(actor, target), turned) };
}

describe('in place', () => {
  it('a steady walk has a mean velocity of zero, and keeps bob and sway', () => {
    const { actor, clip } = walkerActor();
    const before = clip.translations.slice();
    const { clip: still, travel } = applyRootMotion(actor, clip, { mode: 'in-place' });
    const end = (clip.frameCount - 1) * 3;
    const seconds = (clip.frameCount - 1) * clip.frameDuration;
    expect(Math.abs(still.translations[end + 2]! - still.translations[2]!) / seconds).toBeLessThan(STILL);
    // The walk goes straight at 0.8 m a cycle of 1.2 s: all of it is path.
    expect(travel!.path[end + 2]!).toBeCloseTo(2.4, 5);
    for (let f = 0; f < clip.frameCount; f++) {
      expect(still.translations[f * 3 + 1]).toBe(before[f * 3 + 1]);
      expect(Math.abs(still.translations[f * 3 + 2]!)).toBeLessThan(SAME_PLACE);
    }
    expect(clip.translations).toEqual(before);
  });

  it('keeps at least nine tenths of a sway in the rhythm of the steps', () => {
    const { actor, clip } = walkerActor();
    const swaying = { ...clip, translations: clip.translations.slice() };
    for (let f = 0; f < clip.frameCount; f++) {
      swaying.translations[f * 3] = 0.03 * Math.sin((2 * Math.PI * f * clip.frameDuration) / 1.2);
    }
    const { clip: still } = applyRootMotion(actor, swaying, { mode: 'in-place' });
    let most = 0;
    for (let f = 60; f < clip.frameCount - 60; f++) most = Math.max(most, Math.abs(still.translations[f * 3]!));
    expect(most).toBeGreaterThan(0.9 * 0.03);
  });

  it('moves all parts of a figure with detached feet alike, and gives the travel back', () => {
    const { target, clip } = curvedWalk();
    const { clip: still, travel } = applyRootMotion(target, clip, { mode: 'in-place' });
    const [a, b] = [worldOf(target, clip), worldOf(target, still)];
    const { jointCount } = target.skeleton;
    const root = target.skeleton.names.indexOf('root');
    for (let f = 0; f < clip.frameCount; f += 7) {
      for (let j = 0; j < jointCount; j++) {
        if (j === root) continue;
        const at = (f * jointCount + j) * 3;
        for (let k = 0; k < 3; k++)
          expect(Math.abs(a[at + k]! - b[at + k]! - travel!.path[f * 3 + k]!)).toBeLessThan(SAME_PLACE);
      }
    }
    expect(worst(worldOf(target, withTravel(target.skeleton, still, travel!, 1)), a)).toBeLessThan(SAME_PLACE);
  });
});

describe('extracted', () => {
  it.each([true, false])('the world motion stays as it was (heading on the root: %s)', (heading) => {
    const { target, clip } = curvedWalk();
    const { clip: out, root } = applyRootMotion(target, clip, { mode: 'extract', heading });
    expect(root).toBe(target.skeleton.names.indexOf('root'));
    expect([...out.translationJoints]).toContain(root);
    const [a, b] = [worldOf(target, clip), worldOf(target, out)];
    const { jointCount } = target.skeleton;
    for (let f = 0; f < clip.frameCount; f++) {
      const at = (f * jointCount + root!) * 3;
      a.copyWithin(at, at + 3, at + 6);
      b.copyWithin(at, at + 3, at + 6);
    }
    expect(worst(a, b)).toBeLessThan(SAME_PLACE);
  });

  it('the root follows way and heading, and the hips stay over it', () => {
    const { target, clip } = curvedWalk();
    const { clip: out, root, travel } = applyRootMotion(target, clip, { mode: 'extract' });
    const end = clip.frameCount - 1;
    // A quarter circle to the left ends facing +X.
    expect(travel!.heading[end]! - travel!.heading[0]!).toBeCloseTo(Math.PI / 2, 1);
    const world = worldOf(target, out);
    const rest = restWorldPose(target.skeleton).positions;
    const { jointCount } = target.skeleton;
    const hips = target.body.roles.hips!;
    const apart = Math.hypot(rest[hips * 3]!, rest[hips * 3 + 2]!);
    for (let f = 0; f < clip.frameCount; f += 5) {
      const r = (f * jointCount + root!) * 3;
      const h = (f * jointCount + hips) * 3;
      expect(world[r + 1]).toBeCloseTo(0, 5);
      expect(Math.hypot(world[r]! - world[h]!, world[r + 2]! - world[h + 2]!)).toBeLessThan(apart + 0.06);
    }
  });

  it('says what to do when no joint stands above the hips', () => {
    const target = figure();
    expect(() => applyRootMotion(target, wander(target, 5), { mode: 'extract' })).toThrowError(
      expect.objectContaining({ code: 'ROOT_MOTION_NO_ROOT', hint: expect.stringContaining('root joint') }),
    );
  });
});

it('keeps the very same clip when nothing is asked for', () => {
  const target = figure();
  const clip = wander(target, 5);
  expect(applyRootMotion(target, clip)).toEqual({ clip, travel: null, root: null });
});
