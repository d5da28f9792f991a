import { describe, expect, it } from 'vitest';
import { handShapes, liftHands } from '../../src/contact/hand-floor.ts';
import { readHandRests } from '../../src/contact/hand-rests.ts';
import { feetOfMotion, soleOf } from '../../src/contact/measure-soles.ts';
import { plantFeet } from '../../src/contact/plants.ts';
import type { Role } from '../../src/pairing/roles.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { retargetArms, retargetClip } from '../../src/retarget/retarget-clip.ts';
import { type Clip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { SIDES } from '../../src/skeleton/side.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';
import type { SkinMesh } from '../../src/skeleton/skin.ts';
import { type FigureOptions, figure } from '../support/figure.ts';
import { FRAMES, goingDown, KNEELING, REST } from '../support/going-down.ts';
import { axisAngle, product } from '../support/quat.ts';
import { skinBall } from '../support/skin-ball.ts';

const NO_FEET = { heel: [], ball: [], foot: [] };
/** Upper arm and forearm of a figure in its own size, metres. */
const ARM = 0.53;
/** Share of the arm: the solve is repeated until a hand is as near as this to where it should be. */
const EXACT = 1e-3;

const BENT = Math.PI / 3;

/** Somebody who kneels, bent forward by 60 degrees, with arms that hang: its wrists stay 0.2 m and more over the floor. */
function bentOver(sunk = 0, bent = BENT): { actor: Actor; clip: Clip } {
  const { actor, clip } = goingDown(KNEELING);
  const { roles } = actor.body;
  const turn = (f: number, joint: number, q: Float64Array): void =>
    clip.rotations.set(q, (f * clip.jointCount + joint) * 4);
  for (let f = 0; f < FRAMES; f++) {
    turn(f, roles.spine!, axisAngle(1, 0, 0, bent));
    // Down from the T-pose, and back by as much as the trunk is bent forward.
    turn(f, roles.leftUpperArm!, product(axisAngle(1, 0, 0, -bent), axisAngle(0, 0, 1, -Math.PI / 2)));
    turn(f, roles.rightUpperArm!, product(axisAngle(1, 0, 0, -bent), axisAngle(0, 0, 1, Math.PI / 2)));
    clip.translations[f * 3 + 1]! -= sunk;
  }
  return { actor, clip };
}

interface Hands {
  before: Clip;
  after: Clip;
  lifted: boolean;
  target: Actor;
  performer: Clip;
}

function onto(
  options: FigureOptions,
  skinsOf: (target: Actor) => SkinMesh[] = () => [],
  sunk = 0,
  bent = BENT,
  withoutRole: readonly string[] = [],
): Hands {
  const { actor, clip } = bentOver(sunk, bent);
  const target = figure(options);
  for (const part of withoutRole) for (const side of SIDES) delete target.body.roles[`${side}${part}` as Role];
  const plan = compileRetarget(actor, target);
  const { targets } = plantFeet(
    plan,
    clip,
    { left: NO_FEET, right: NO_FEET },
    soleOf(target.skeleton, target.body.roles),
    feetOfMotion(actor.skeleton, clip, actor.body.roles),
  );
  const after = retargetClip(plan, clip, targets);
  const before = { ...after, rotations: after.rotations.slice(), translations: after.translations.slice() };
  const shapes = handShapes(target, skinsOf(target));
  const lifted = liftHands(plan, readHandRests(actor, clip), after, shapes, targets, () =>
    retargetArms(plan, clip, targets, after),
  );
  return { before, after, lifted, target, performer: clip };
}

/** World path of a joint, frames × 3. */
function pathOf({ skeleton }: Actor, clip: Clip, joint: number): Float64Array {
  const pose = createWorldPose(skeleton.jointCount);
  const path = new Float64Array(clip.frameCount * 3);
  for (let f = 0; f < clip.frameCount; f++) {
    framePose(skeleton, clip, f, restLocalPose(skeleton), pose);
    path.set(pose.positions.subarray(joint * 3, joint * 3 + 3), f * 3);
  }
  return path;
}

const lowest = (path: Float64Array): number => Math.min(...path.filter((_, i) => i % 3 === 1));

/** The largest change of velocity between two frames, metres. */
function roughest(path: Float64Array): number {
  let worst = 0;
  for (let at = 3; at + 3 < path.length; at += 3)
    worst = Math.max(
      worst,
      Math.hypot(...[0, 1, 2].map((k) => path[at - 3 + k]! - 2 * path[at + k]! + path[at + 3 + k]!)),
    );
  return worst;
}

const SHORT_LEGS: [string, FigureOptions, number][] = [
  ['short legs', { legs: 0.3 }, 1],
  ['short legs, rolled joints', { legs: 0.3, rollSeed: 3 }, 1],
  ['short legs, detached feet', { legs: 0.3, detachedFeet: true }, 1],
  ['a doll of 20 cm with short legs', { legs: 0.3, scale: 0.12 }, 0.12],
];

describe('hands that the floor stops', () => {
  it.each(SHORT_LEGS)('%s: they lie on it and not in it', (_, options, scale) => {
    const { before, after, lifted, target } = onto(options);
    expect(lifted).toBe(true);
    for (const role of ['leftHand', 'rightHand'] as const) {
      const hand = target.body.roles[role]!;
      expect(lowest(pathOf(target, before, hand))).toBeLessThan(-0.1 * ARM * scale);
      const path = pathOf(target, after, hand);
      expect(lowest(path)).toBeGreaterThan(-EXACT * ARM * scale);
      // In the middle of the rest the plain hand is deep in the floor: the led one lies on it.
      const middle = Math.round((REST[0] + REST[1]) / 2);
      expect(Math.abs(path[middle * 3 + 1]!)).toBeLessThan(EXACT * ARM * scale);
    }
  });

  it('are as high as their skin asks for', () => {
    const radius = 0.06;
    const { after, target } = onto({ legs: 0.3 }, ({ skeleton, body }) => [
      withArm(skinBall(skeleton, body.roles.leftHand!, [0, 0, 0], radius), body.roles.leftLowerArm!),
    ]);
    // The right hand has no skin: its joint stands for it.
    expect(lowest(pathOf(target, after, target.body.roles.leftHand!))).toBeCloseTo(radius, 3);
    expect(lowest(pathOf(target, after, target.body.roles.rightHand!))).toBeCloseTo(0, 3);
  });

  it('are as high as joints below them ask for, roles or none', () => {
    const { after, target } = onto({ legs: 0.3, fingers: true });
    const { roles } = target.body;
    const { leftIndexIntermediate: tip, leftHand: hand } = roles;
    expect(lowest(pathOf(target, after, tip!))).toBeCloseTo(0, 3);
    expect(lowest(pathOf(target, after, hand!))).toBeGreaterThan(0.1);
    const bare = onto({ legs: 0.3, fingers: true }, undefined, 0, BENT, ['IndexProximal', 'IndexIntermediate']);
    expect(lowest(pathOf(bare.target, bare.after, tip!))).toBeCloseTo(0, 3);
  });

  it('stop and leave without a jerk', () => {
    const { before, after, target } = onto({ legs: 0.3 });
    for (const role of ['leftHand', 'rightHand'] as const) {
      const hand = target.body.roles[role]!;
      // Thigh and shin are 0.25 m: the proof takes 2 % of the leg beyond the motion's own for a jump (common practice).
      expect(roughest(pathOf(target, after, hand))).toBeLessThan(roughest(pathOf(target, before, hand)) + 0.02 * 0.25);
    }
  });

  it('go aside where the arm would be folded farther than arms fold', () => {
    const { before, after, target } = onto({ legs: 0.1 }, undefined, 0, 0.57 * Math.PI);
    const { roles } = target.body;
    // Elbows flex by 140 to 150 degrees (Soucie et al. 2011): the ends of two segments of 0.28 and 0.25 m come so near.
    const nearest = Math.sqrt(0.28 ** 2 + 0.25 ** 2 - 2 * 0.28 * 0.25 * Math.cos(Math.PI / 6));
    const [shoulder, hand] = [roles.leftUpperArm!, roles.leftHand!].map((joint) => pathOf(target, after, joint));
    const plain = pathOf(target, before, roles.leftHand!);
    let under = 0;
    for (let at = 0; at < hand!.length; at += 3) {
      expect(Math.hypot(...[0, 1, 2].map((k) => hand![at + k]! - shoulder![at + k]!))).toBeGreaterThan(0.99 * nearest);
      if (shoulder![at + 1]! < nearest && plain[at + 1]! < -0.1) under++;
    }
    expect(under).toBeGreaterThan(10);
    expect(lowest(hand!)).toBeGreaterThan(-EXACT * ARM);
  });

  it('are left alone while they are above it', () => {
    const { before, after } = onto({ legs: 0.3 });
    // Until 0.9 s the body stands.
    const standing = 54 * before.jointCount * 4;
    expect(after.rotations.subarray(0, standing)).toEqual(before.rotations.subarray(0, standing));
    const same = onto({});
    expect(same.lifted).toBe(false);
    expect(same.after.rotations).toEqual(same.before.rotations);
  });

  it('go as deep as those of the performer', () => {
    // Sunk by 0.3 m, the performer's own hands are in the floor.
    const { after, target, performer } = onto({}, undefined, 0.3);
    const { roles } = target.body;
    const own = lowest(pathOf(target, performer, roles.leftHand!));
    expect(own).toBeLessThan(-0.02);
    expect(lowest(pathOf(target, after, roles.leftHand!))).toBeGreaterThan(own - EXACT * ARM);
  });
});

/** A mesh whose first vertex belongs to the arm: one that is all hand is held in it. */
function withArm(skin: SkinMesh, forearm: number): SkinMesh {
  const joints = skin.joints.slice();
  joints[0] = forearm;
  return { ...skin, joints };
}
