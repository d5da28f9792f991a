import { describe, expect, it } from 'vitest';
import { alignFigure } from '../../src/alignment/alignment.ts';
import { angleBetweenQuats } from '../../src/math/quat.ts';
import type { Body } from '../../src/pairing/body.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import { type Clip, createClip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createWorldPose, type Skeleton } from '../../src/skeleton/skeleton.ts';
import { type Row, skeletonFrom } from '../support/biped.ts';
import { bodyOf, figure, wander } from '../support/figure.ts';
import { axisAngle, product } from '../support/quat.ts';

/** rad. Float32 storage of unit quaternions. */
const SAME_ROTATION = 1e-5;
/** m. Float32 locals down some joints. */
const SAME_PLACE = 1e-5;

function poseOf(skeleton: Skeleton, clip: Clip, f: number) {
  const pose = createWorldPose(skeleton.jointCount);
  framePose(skeleton, clip, f, restLocalPose(skeleton), pose);
  return pose;
}

describe('roles given by hand', () => {
  it('that make two joints carry each other are named, with what to do', () => {
    const target = figure();
    const { leftUpperArm, leftLowerArm } = target.body.roles;
    const roles = { ...target.body.roles, leftUpperArm: leftLowerArm!, leftLowerArm: leftUpperArm! };
    const exchanged = { ...target, body: { ...target.body, roles } };
    // The rig hangs the forearm under the upper arm, the mapping the upper arm under the forearm.
    expect(() => compileRetarget(figure(), exchanged)).toThrowError(
      expect.objectContaining({
        code: 'RETARGET_CYCLE',
        message: expect.stringContaining(
          'circle: leftLowerArm (paired as leftUpperArm) carries leftUpperArm (paired as leftLowerArm) carries leftLowerArm.',
        ),
        hint: expect.stringMatching(/^Exchange the roles of these joints in the mapping/),
      }),
    );
  });
});

describe('joints held at rest', () => {
  const source = figure({ fingers: true });
  const motion = wander(source, 12);
  const target = figure({ fingers: true, rollSeed: 3 });

  it.each(['head', 'leftHand', 'leftLowerArm', 'rightFoot', 'hips'] as const)('%s', (role) => {
    const joint = target.body.roles[role]!;
    const out = retargetClip(compileRetarget(source, target, { hold: [joint] }), motion);
    const free = retargetClip(compileRetarget(source, target), motion);
    let most = 0;
    for (let f = 0; f < out.frameCount; f++) {
      const at = (f * out.jointCount + joint) * 4;
      expect(angleBetweenQuats(out.rotations, at, target.skeleton.restRotations, joint * 4)).toBeLessThan(
        SAME_ROTATION,
      );
      most = Math.max(most, angleBetweenQuats(free.rotations, at, out.rotations, at));
    }
    // Else there is nothing to hold against.
    expect(most).toBeGreaterThan(0.05);
  });

  it('a held hand still goes where the arm takes it', () => {
    const hand = target.body.roles.leftHand!;
    const out = retargetClip(compileRetarget(source, target, { hold: [hand] }), motion);
    const free = retargetClip(compileRetarget(source, target), motion);
    for (let f = 0; f < out.frameCount; f++) {
      const a = poseOf(target.skeleton, out, f).positions;
      const b = poseOf(target.skeleton, free, f).positions;
      for (let k = 0; k < 3; k++) expect(Math.abs(a[hand * 3 + k]! - b[hand * 3 + k]!)).toBeLessThan(SAME_PLACE);
    }
  });
});

describe('joints that follow', () => {
  /** A figure with two joints under its root, on the floor of the tree: a hat above the head and a pad before the knee. */
  function withLoose(): Actor {
    const base = figure({ detachedFeet: true });
    const rows: Row[] = [];
    const { skeleton } = base;
    const at = worldRest(skeleton);
    skeleton.names.forEach((name, j) => {
      const p = skeleton.parents[j]!;
      rows.push([name, p < 0 ? null : skeleton.names[p]!, at[j]!]);
    });
    const head = at[skeleton.names.indexOf('head')]!;
    const knee = at[skeleton.names.indexOf('leftLowerLeg')]!;
    rows.push(['hat', 'root', [head[0], head[1] + 0.2, head[2]]]);
    rows.push(['pad', 'root', [knee[0], knee[1] - 0.1, knee[2] + 0.05]]);
    const own = skeletonFrom(rows);
    const roles = Object.fromEntries(
      Object.entries(base.body.roles).map(([role, j]) => [role, own.names.indexOf(skeleton.names[j]!)]),
    );
    const body = bodyOf(own, roles, 1.7);
    return { skeleton: own, body, alignment: alignFigure(own, body, [0.08, 0.08]) };
  }

  const source = figure();
  const motion = wander(source, 12);
  const target = withLoose();
  const joint = (name: string) => target.skeleton.names.indexOf(name);
  const between = (clip: Clip, f: number, a: string, b: string): number => {
    const { positions } = poseOf(target.skeleton, clip, f);
    const [i, j] = [joint(a) * 3, joint(b) * 3];
    return Math.hypot(...[0, 1, 2].map((k) => positions[i + k]! - positions[j + k]!));
  };

  it('ride with the nearest body part, rigidly', () => {
    const out = retargetClip(compileRetarget(source, target, { follow: [joint('hat'), joint('pad')] }), motion);
    for (let f = 0; f < out.frameCount; f++) {
      expect(between(out, f, 'hat', 'head')).toBeCloseTo(0.2, 5);
      expect(between(out, f, 'pad', 'leftLowerLeg')).toBeCloseTo(Math.hypot(0.1, 0.05), 5);
      const { rotations } = poseOf(target.skeleton, out, f);
      expect(angleBetweenQuats(rotations, joint('hat') * 4, rotations, joint('head') * 4)).toBeLessThan(SAME_ROTATION);
    }
  });

  it('stay behind when nobody asks them to', () => {
    const out = retargetClip(compileRetarget(source, target), motion);
    expect(between(out, 11, 'hat', 'head')).toBeGreaterThan(0.25);
  });
});

/** Joints in a row from a place along a direction, on a body that is not human. */
function snake(count: number, length: number): Actor {
  const rows: Row[] = Array.from(
    { length: count },
    (_, i): Row => [`seg${i}`, i === 0 ? null : `seg${i - 1}`, [0, 0.3 * length, -(i * length) / count]],
  );
  const skeleton = skeletonFrom(rows, { [`seg${count - 1}`]: [0, 0.3 * length, -length] });
  const none = { humanoid: false, roles: {}, spineChain: [], neckChain: [] };
  const body: Body = { ...bodyOf(skeleton, { hips: 0 }, length), ...none };
  return { skeleton, body, alignment: alignFigure(skeleton, body, [0, 0]) };
}

describe('chains paired by hand', () => {
  const all = (actor: Actor) => [...actor.skeleton.names.keys()];
  const slither = (actor: Actor, frames: number): Clip => {
    const clip = createClip('slither', frames, 1 / 30, actor.skeleton.jointCount, [0]);
    for (let f = 0; f < frames; f++) {
      clip.translations.set([0.1 * Math.sin(f / 3), 0.3 + 0.02 * f, 0.05 * f], f * 3);
      for (let j = 0; j < clip.jointCount; j++)
        clip.rotations.set(axisAngle(0, 1, 0, 0.4 * Math.sin(f / 4 - j)), (f * clip.jointCount + j) * 4);
    }
    return clip;
  };

  it('need no hips; the same chain gives the same motion', () => {
    const source = snake(6, 1);
    const clip = slither(source, 10);
    const plan = compileRetarget(source, source, { chains: [{ source: all(source), target: all(source) }] });
    const out = retargetClip(plan, clip);
    for (let i = 0; i < clip.rotations.length; i += 4)
      expect(angleBetweenQuats(out.rotations, i, clip.rotations, i)).toBeLessThan(SAME_ROTATION);
    out.translations.forEach((value, i) => {
      expect(Math.abs(value - clip.translations[i]!)).toBeLessThan(SAME_PLACE);
    });
  });

  it.each([3, 6, 12])('%s joints of twice the length take the head and tail of six', (count) => {
    const source = snake(6, 1);
    const target = snake(count, 2);
    const clip = slither(source, 10);
    const out = retargetClip(
      compileRetarget(source, target, { chains: [{ source: all(source), target: all(target) }] }),
      clip,
    );
    for (let f = 0; f < 10; f++) {
      const a = poseOf(source.skeleton, clip, f);
      const b = poseOf(target.skeleton, out, f);
      expect(angleBetweenQuats(a.rotations, 5 * 4, b.rotations, (count - 1) * 4)).toBeLessThan(SAME_ROTATION);
      // The chains' last joints stand a segment before the end: 5/6 m and 2 (n - 1)/n m.
      const scale = (2 * (count - 1)) / count / (5 / 6);
      expect(b.positions[0]).toBeCloseTo(scale * a.positions[0]!, 5);
      expect(b.positions[1]! - 0.6).toBeCloseTo(scale * (a.positions[1]! - 0.3), 5);
    }
  });

  it('a tail beside the roles of a body takes the motion of another tail', () => {
    const withTail = (count: number): Actor => {
      const base = figure();
      const at = worldRest(base.skeleton);
      const rows: Row[] = base.skeleton.names.map((name, j) => [
        name,
        base.skeleton.parents[j]! < 0 ? null : base.skeleton.names[base.skeleton.parents[j]!]!,
        at[j]!,
      ]);
      for (let i = 0; i < count; i++)
        rows.push([`tail${i}`, i === 0 ? 'hips' : `tail${i - 1}`, [0, 0.9, -0.1 - (0.4 * i) / count]]);
      const skeleton = skeletonFrom(rows, { [`tail${count - 1}`]: [0, 0.9, -0.5] });
      const roles = Object.fromEntries(
        Object.entries(base.body.roles).map(([role, j]) => [role, skeleton.names.indexOf(base.skeleton.names[j]!)]),
      );
      const body = bodyOf(skeleton, roles, 1.7);
      return { skeleton, body, alignment: alignFigure(skeleton, body, [0.08, 0.08]) };
    };
    const source = withTail(4);
    const target = withTail(2);
    const tail = ({ skeleton }: Actor) => skeleton.names.flatMap((name, j) => (name.startsWith('tail') ? [j] : []));
    const clip = wander(source, 10);
    for (let f = 0; f < 10; f++) {
      for (const j of tail(source)) {
        const rest = source.skeleton.restRotations.subarray(j * 4, j * 4 + 4);
        clip.rotations.set(product(rest, axisAngle(1, 0, 0, 0.2 * Math.sin(f / 2))), (f * clip.jointCount + j) * 4);
      }
    }
    const out = retargetClip(
      compileRetarget(source, target, { chains: [{ source: tail(source), target: tail(target) }] }),
      clip,
    );
    for (let f = 0; f < 10; f++) {
      const a = poseOf(source.skeleton, clip, f).rotations;
      const b = poseOf(target.skeleton, out, f).rotations;
      // Two joints stand for four: the second and the last.
      expect(angleBetweenQuats(a, tail(source)[1]! * 4, b, tail(target)[0]! * 4)).toBeLessThan(SAME_ROTATION);
      expect(angleBetweenQuats(a, tail(source)[3]! * 4, b, tail(target)[1]! * 4)).toBeLessThan(SAME_ROTATION);
    }
  });

  it('without hips and without chains there is one clear error', () => {
    const source = snake(4, 1);
    expect(() => compileRetarget(source, source)).toThrowError(expect.objectContaining({ code: 'RETARGET_NO_HIPS' }));
  });
});

function worldRest(skeleton: Skeleton): [number, number, number][] {
  const pose = createWorldPose(skeleton.jointCount);
  const still = createClip('', 1, 1, skeleton.jointCount, []);
  still.rotations.set(skeleton.restRotations);
  framePose(skeleton, still, 0, restLocalPose(skeleton), pose);
  return skeleton.names.map((_, j) => [pose.positions[j * 3]!, pose.positions[j * 3 + 1]!, pose.positions[j * 3 + 2]!]);
}
