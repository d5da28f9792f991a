import { describe, expect, it } from 'vitest';
import { alignFigure } from '../../src/alignment/alignment.ts';
import { restAnkleHeights } from '../../src/alignment/soles.ts';
import { bodyGirths } from '../../src/contact/body-girths.ts';
import { readHandRests } from '../../src/contact/hand-rests.ts';
import { type HandContact, holdHands } from '../../src/contact/hands.ts';
import { stretchLimbs } from '../../src/convert/stretch.ts';
import type { RoleMap } from '../../src/pairing/roles.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { createLimbTargets } from '../../src/retarget/limb-targets.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import { type Clip, createClip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { RANGES_OF_MOTION } from '../../src/skeleton/joint-ranges.ts';
import { createWorldPose, restWorldPose } from '../../src/skeleton/skeleton.ts';
import type { SkinMesh } from '../../src/skeleton/skin.ts';
import { type BipedOptions, bipedRows, skeletonFrom } from '../support/biped.ts';
import { bodyOf } from '../support/figure.ts';
import { skinBall } from '../support/skin-ball.ts';

/** m. Float32 keys down an arm: well below a millimetre. */
const SAME_PLACE = 2e-4;
const FPS = 60;

/** @param hips  by so much farther apart than usual, with the legs */
function person(options: BipedOptions = {}, scale = 1, hips = 1): Actor {
  const rows = bipedRows(options).map(([name, parent, [x, y, z]]) => {
    const wide = /Leg|Foot|Toes/.test(name) ? hips : 1;
    return [name, parent, [x * wide * scale, y * scale, z * scale]] as const;
  });
  const skeleton = skeletonFrom(rows.map((row) => [...row]));
  const roles: RoleMap = Object.fromEntries(skeleton.names.map((name, j) => [name, j]));
  const body = bodyOf(skeleton, roles, 1.7 * scale);
  return { skeleton, body, alignment: alignFigure(skeleton, body, restAnkleHeights(skeleton, roles, [])) };
}

/** Turn about a world axis (the rest rotations are all the identity), degrees. */
function turn(
  clip: Clip,
  f: number,
  joint: number,
  [x, y, z]: readonly [number, number, number],
  degrees: number,
): void {
  const half = (degrees * Math.PI) / 360;
  const s = Math.sin(half);
  clip.rotations.set([x * s, y * s, z * s, Math.cos(half)], (f * clip.jointCount + joint) * 4);
}

/** A clip in which `pose` sets the arms; the rest of the body stands still. */
function clipOf(actor: Actor, frameCount: number, fps: number, pose: (clip: Clip, f: number, t: number) => void): Clip {
  const hips = actor.body.roles.hips!;
  const clip = createClip('arms', frameCount, 1 / fps, actor.skeleton.jointCount, [hips]);
  for (let i = 3; i < clip.rotations.length; i += 4) clip.rotations[i] = 1;
  for (let f = 0; f < frameCount; f++) {
    clip.translations.set(actor.skeleton.restTranslations.subarray(hips * 3, hips * 3 + 3), f * 3);
    pose(clip, f, f / fps);
  }
  return clip;
}

/** Claps twice: arms before the body, the wrists 6 to 34 cm apart. */
function claps(actor: Actor, fps = FPS): Clip {
  const { leftUpperArm, rightUpperArm } = actor.body.roles;
  return clipOf(actor, 2 * fps + 1, fps, (clip, f, t) => {
    const angle = 90 + 15.3 * 0.5 * (1 - Math.cos(2 * Math.PI * t));
    turn(clip, f, leftUpperArm!, [0, 1, 0], -angle);
    turn(clip, f, rightUpperArm!, [0, 1, 0], angle);
  });
}

function wrists(actor: Actor, clip: Clip): Record<'left' | 'right', Float64Array> {
  const out = { left: new Float64Array(clip.frameCount * 3), right: new Float64Array(clip.frameCount * 3) };
  const pose = createWorldPose(actor.skeleton.jointCount);
  const local = restLocalPose(actor.skeleton);
  for (let f = 0; f < clip.frameCount; f++) {
    framePose(actor.skeleton, clip, f, local, pose);
    for (const side of ['left', 'right'] as const) {
      const j = actor.body.roles[`${side}Hand`]! * 3;
      out[side].set(pose.positions.subarray(j, j + 3), f * 3);
    }
  }
  return out;
}

const apart = ({ left, right }: ReturnType<typeof wrists>, f: number): number =>
  Math.hypot(...[0, 1, 2].map((k) => left[f * 3 + k]! - right[f * 3 + k]!));

function held(
  source: Actor,
  clip: Clip,
  target: Actor,
  skins: readonly SkinMesh[] = [],
  stretch = 0,
): { base: Clip; out: Clip; contacts: HandContact[] } {
  const plan = compileRetarget(source, target);
  const base = retargetClip(plan, clip);
  const targets = createLimbTargets(clip.frameCount);
  const contacts = holdHands(plan, readHandRests(source, clip), base, bodyGirths(target, skins), targets, { stretch });
  const out = stretchLimbs(plan, retargetClip(plan, clip, targets), targets, 100 * stretch);
  return { base, out, contacts };
}

describe('clapping hands', () => {
  const source = person();
  const clip = claps(source);
  const own = wrists(source, clip);

  it.each([
    ['short arms', { upperArm: 0.22, lowerArm: 0.2 }],
    ['long arms', { upperArm: 0.4, lowerArm: 0.35 }],
  ])('meet with %s', (_, options) => {
    const target = person(options);
    const { base, out, contacts } = held(source, clip, target);
    expect(contacts.filter(({ part }) => part === 'hand')).toHaveLength(4);
    const before = wrists(target, base);
    const after = wrists(target, out);
    let off = 0;
    for (const { first, last } of contacts) {
      for (let f = first; f <= last; f++) {
        expect(Math.abs(apart(after, f) - apart(own, f))).toBeLessThan(SAME_PLACE);
        off = Math.max(off, Math.abs(apart(before, f) - apart(own, f)));
      }
    }
    // Else the check would show nothing: by arm length alone the hands pass or miss each other.
    expect(off).toBeGreaterThan(0.05);
  });

  it('keep a continuous velocity: its largest step shrinks with the frame time', () => {
    const target = person({ upperArm: 0.22, lowerArm: 0.2 });
    const step = (fps: number): number => {
      const { out } = held(source, claps(source, fps), target);
      const { left } = wrists(target, out);
      let most = 0;
      for (let f = 1; f + 1 < out.frameCount; f++) {
        for (let k = 0; k < 3; k++) {
          const second = left[(f + 1) * 3 + k]! - 2 * left[f * 3 + k]! + left[(f - 1) * 3 + k]!;
          most = Math.max(most, Math.abs(second * fps));
        }
      }
      return most;
    };
    expect(step(240)).toBeLessThan(0.5 * step(60));
  });
});

describe('what needs no help is left alone', () => {
  const source = person();
  const clip = claps(source);
  it.each([0.3, 1, 3])('a body of the same proportions, %s times the size, moves as without', (scale) => {
    const target = person({}, scale);
    const { base, out } = held(source, clip, target);
    const a = wrists(target, base).left;
    const b = wrists(target, out).left;
    a.forEach((x, i) => {
      expect(Math.abs(x - b[i]!) / scale).toBeLessThan(SAME_PLACE);
    });
  });

  it('arms that hang or spread touch nothing', () => {
    const still = clipOf(source, 60, FPS, () => {});
    expect(held(source, still, person({ upperArm: 0.4 })).contacts).toEqual([]);
    const { leftUpperArm, rightUpperArm } = source.body.roles;
    const hanging = clipOf(source, 60, FPS, (c, f) => {
      turn(c, f, leftUpperArm!, [0, 0, 1], -82);
      turn(c, f, rightUpperArm!, [0, 0, 1], 82);
    });
    expect(held(source, hanging, person({ upperArm: 0.4 })).contacts).toEqual([]);
  });
});

describe('a hand on the head', () => {
  const source = person();
  const { leftUpperArm, leftLowerArm } = source.body.roles;
  /** The upper arm raised to the side, the forearm folded in until the wrist is beside the head. */
  const clip = clipOf(source, 90, FPS, (c, f) => {
    turn(c, f, leftUpperArm!, [0, 0, 1], 45);
    turn(c, f, leftLowerArm!, [0, 0, 1], 110);
  });

  it('stays there when the arms are longer', () => {
    const target = person({ upperArm: 0.36, lowerArm: 0.32 });
    const { base, out, contacts } = held(source, clip, target);
    expect(contacts).toEqual([{ side: 'left', part: 'head', first: 0, last: 89 }]);
    const offset = (actor: Actor, c: Clip): number[] => {
      const pose = createWorldPose(actor.skeleton.jointCount);
      framePose(actor.skeleton, c, 45, restLocalPose(actor.skeleton), pose);
      const { head, leftHand } = actor.body.roles;
      return [0, 1, 2].map((k) => pose.positions[leftHand! * 3 + k]! - pose.positions[head! * 3 + k]!);
    };
    const wanted = offset(source, clip);
    offset(target, out).forEach((x, k) => {
      expect(Math.abs(x - wanted[k]!)).toBeLessThan(SAME_PLACE);
    });
    expect(Math.hypot(...offset(target, base).map((x, k) => x - wanted[k]!))).toBeGreaterThan(0.05);
  });
});

describe('a hand before the pelvis', () => {
  const source = person();
  const { leftUpperArm, leftLowerArm } = source.body.roles;
  /** Hanging inwards, the forearm ahead: the wrist is level with the hip joints, between them, 11 cm before their line. */
  const clip = clipOf(source, 60, FPS, (c, f) => {
    turn(c, f, leftUpperArm!, [0, 0, 1], -102);
    turn(c, f, leftLowerArm!, [0, 1, 0], -33);
  });
  /** From the middle of the hip joints to the wrist. */
  const offset = (actor: Actor, c: Clip): number[] => {
    const pose = createWorldPose(actor.skeleton.jointCount);
    framePose(actor.skeleton, c, 30, restLocalPose(actor.skeleton), pose);
    const { leftUpperLeg: a, rightUpperLeg: b, leftHand } = actor.body.roles;
    return [0, 1, 2].map(
      (k) => pose.positions[leftHand! * 3 + k]! - (pose.positions[a! * 3 + k]! + pose.positions[b! * 3 + k]!) / 2,
    );
  };
  const [x, y, z] = offset(source, clip) as [number, number, number];

  it('hangs as far before hips that are wider, and as far toward their side', () => {
    const target = person({}, 1, 2);
    const { out, contacts } = held(source, clip, target);
    expect(contacts).toEqual([{ side: 'left', part: 'pelvis', first: 0, last: 59 }]);
    const after = offset(target, out);
    expect(Math.abs(after[0]! - 2 * x)).toBeLessThan(SAME_PLACE);
    expect(Math.abs(after[1]! - y)).toBeLessThan(SAME_PLACE);
    expect(Math.abs(after[2]! - z)).toBeLessThan(SAME_PLACE);
  });

  it('hangs as far before the skin of a belly', () => {
    // Long enough arms to get around it.
    const target = person({ upperArm: 0.36, lowerArm: 0.32 });
    const { hips, leftUpperLeg } = target.body.roles;
    const { positions } = restWorldPose(target.skeleton);
    const level = positions[leftUpperLeg! * 3 + 1]! - positions[hips! * 3 + 1]!;
    const belly = skinBall(target.skeleton, hips!, [0, level, 0], 0.2);
    const { front, side } = bodyGirths(target, [belly]).pelvis;
    expect(front).toBeGreaterThan(0.19);
    expect(front).toBeLessThan(0.2 + 1e-6);
    // From the joint: 0.11 straight out, 0.126 halfway round to the front.
    expect(side).toBeGreaterThan(0.11);
    expect(side).toBeLessThan(0.126);
    const { out } = held(source, clip, target, [belly]);
    // A person's pelvis is so thick, a share of 1.7 m; the wrist is not exactly level with the hip joints.
    expect(offset(target, out)[2]! - z).toBeCloseTo(front - 0.05 * 1.7, 3);
  });
});

describe('a hand that has to get around a belly on short arms', () => {
  it('gets nearer where arms may grow', () => {
    const source = person();
    const target = person({ upperArm: 0.25, lowerArm: 0.22 });
    const { leftUpperArm, leftLowerArm, leftHand, leftUpperLeg, hips } = source.body.roles;
    const clip = clipOf(source, 60, FPS, (c, f) => {
      turn(c, f, leftUpperArm!, [0, 0, 1], -102);
      turn(c, f, leftLowerArm!, [0, 1, 0], -33);
    });
    const belly = skinBall(target.skeleton, hips!, [0, -0.05, 0], 0.2);
    const pose = createWorldPose(target.skeleton.jointCount);
    const ahead = (stretch: number): { wrist: number; arm: number } => {
      const { out } = held(source, clip, target, [belly], stretch);
      framePose(target.skeleton, out, 30, restLocalPose(target.skeleton), pose);
      const at = (joint: number): number[] => [...pose.positions.subarray(joint * 3, joint * 3 + 3)];
      const arm = Math.hypot(...at(leftHand!).map((x, k) => x - at(leftUpperArm!)[k]!));
      return { wrist: at(leftHand!)[2]! - at(leftUpperLeg!)[2]!, arm };
    };
    const [as, grown] = [ahead(0), ahead(0.2)];
    expect(as.arm).toBeLessThan(0.47);
    expect(grown.arm).toBeGreaterThan(0.47);
    expect(grown.arm).toBeLessThan(1.2 * 0.47);
    expect(grown.wrist).toBeGreaterThan(as.wrist + 0.02);
  });
});

describe('a hand at the head of a figure whose arms are three times as long', () => {
  const source = person();
  const target = person({ upperArm: 0.8, lowerArm: 0.75 });
  const { leftUpperArm, leftLowerArm } = source.body.roles;
  /** As above, let go and taken up again by the forearm. */
  const clip = clipOf(source, 2 * FPS, FPS, (c, f, t) => {
    turn(c, f, leftUpperArm!, [0, 0, 1], 45);
    turn(c, f, leftLowerArm!, [0, 0, 1], 80 + 30 * Math.sin(Math.PI * t));
  });

  it('bends its elbow no farther than elbows bend', () => {
    const { out, contacts } = held(source, clip, target);
    expect(contacts.map(({ part }) => part)).toContain('head');
    const { leftUpperArm: a, leftLowerArm: b, leftHand: c } = target.body.roles;
    const pose = createWorldPose(target.skeleton.jointCount);
    const between = (from: number, to: number): number[] =>
      [0, 1, 2].map((k) => pose.positions[to * 3 + k]! - pose.positions[from * 3 + k]!);
    for (let f = 0; f < out.frameCount; f++) {
      framePose(target.skeleton, out, f, restLocalPose(target.skeleton), pose);
      const [upper, lower] = [between(a!, b!), between(b!, c!)];
      const along = upper.reduce((sum, x, k) => sum + x * lower[k]!, 0);
      const bend = Math.acos(along / (Math.hypot(...upper) * Math.hypot(...lower)));
      expect((bend * 180) / Math.PI).toBeLessThan(RANGES_OF_MOTION.elbowFlexion.max);
    }
  });
});

describe('hands on the floor', () => {
  const source = person();
  /** Arms down, the body sunk until the wrists are 5 cm over the floor, drifting ahead slowly as over planted hands. */
  const clip = clipOf(source, 60, FPS, (c, f, t) => {
    const { leftUpperArm, rightUpperArm } = source.body.roles;
    turn(c, f, leftUpperArm!, [0, 0, 1], -72);
    turn(c, f, rightUpperArm!, [0, 0, 1], 72);
    c.translations[f * 3 + 1]! -= 0.85;
    c.translations[f * 3 + 2]! += 0.1 * t;
  });

  it('stand still, as high over it as the performer’s', () => {
    const target = person({ upperArm: 0.44 });
    const { out, contacts } = held(source, clip, target);
    expect(contacts.map(({ part }) => part)).toEqual(['floor', 'floor']);
    const own = wrists(source, clip).left;
    const { left } = wrists(target, out);
    for (let f = 1; f < 60; f++) {
      expect(Math.abs(left[f * 3]! - left[0]!)).toBeLessThan(SAME_PLACE);
      expect(Math.abs(left[f * 3 + 2]! - left[2]!)).toBeLessThan(SAME_PLACE);
      expect(Math.abs(left[f * 3 + 1]! - own[f * 3 + 1]!)).toBeLessThan(SAME_PLACE);
    }
  });
});
