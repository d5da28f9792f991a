import { existsSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { feetOfMotion, soleOf } from '../../src/contact/measure-soles.ts';
import { plantFeet } from '../../src/contact/plants.ts';
import {
  convert,
  createReceiver,
  openCharacter,
  parseBvh,
  parseContainer,
  performerFromBvh,
  type Receiver,
} from '../../src/index.ts';
import { angleBetweenQuats, rotateXyz } from '../../src/math/quat.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import { type Clip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';
import { skinVertices } from '../../src/skeleton/skin.ts';
import { type FigureOptions, figure } from '../support/figure.ts';
import { FRAMES, goingDown, KNEELING, type Posture, REST, SITTING } from '../support/going-down.ts';
import { rigPath } from '../support/rigs.ts';

const NO_FEET = { heel: [], ball: [], foot: [] };
const LEVEL = Float64Array.of(0, 0, 0, 1);
/** Share of thigh and shin. A pelvis that serves two knees and a seat is found by least squares, to a ten-thousandth. */
const EXACT = 1e-3;

function onto(posture: Posture, options: FigureOptions) {
  const { actor, clip } = goingDown(posture);
  const target = figure(options);
  const plan = compileRetarget(actor, target);
  const { targets } = plantFeet(
    plan,
    clip,
    { left: NO_FEET, right: NO_FEET },
    soleOf(target.skeleton, target.body.roles),
    feetOfMotion(actor.skeleton, clip, actor.body.roles),
  );
  const out = retargetClip(plan, clip, targets);
  const [thigh, shin] = target.alignment.limbLengths;
  return { target, out, plain: retargetClip(plan, clip), length: thigh! + shin! };
}

function pathOf({ skeleton }: Actor, clip: Clip, joint: number): Float64Array {
  const pose = createWorldPose(skeleton.jointCount);
  const path = new Float64Array(clip.frameCount * 3);
  for (let f = 0; f < clip.frameCount; f++) {
    framePose(skeleton, clip, f, restLocalPose(skeleton), pose);
    path.set(pose.positions.subarray(joint * 3, joint * 3 + 3), f * 3);
  }
  return path;
}

const BODIES: [string, FigureOptions][] = [
  ['the same proportions', {}],
  ['legs of 0.3 of the length', { legs: 0.3 }],
  ['legs three times as long', { legs: 3 }],
  ['a doll of 20 cm', { scale: 0.12 }],
  ['rolled joints', { rollSeed: 5 }],
  ['detached feet', { detachedFeet: true }],
];

describe('knees on the floor', () => {
  it.each(BODIES)('%s: a knee that rests is on the floor and stays on its spot', (_, options) => {
    const { target, out, length } = onto(KNEELING, options);
    for (const role of ['leftLowerLeg', 'rightLowerLeg'] as const) {
      const knee = pathOf(target, out, target.body.roles[role]!);
      for (let f = REST[0]; f <= REST[1]; f++) {
        // 0.065 of thigh and shin: 5.5 cm on 0.85 m, the middle of an adult's knee over the floor (value from memory).
        expect(Math.abs(knee[f * 3 + 1]! / length - 0.065)).toBeLessThan(EXACT);
        const moved = Math.hypot(knee[f * 3]! - knee[REST[0] * 3]!, knee[f * 3 + 2]! - knee[REST[0] * 3 + 2]!);
        expect(moved / length).toBeLessThan(EXACT);
      }
    }
  });

  it.each(BODIES)('%s: the knee bends its own way, and the foot behind it is not in the floor', (_, options) => {
    const { target, out, length } = onto(KNEELING, options);
    const { roles } = target.body;
    const [hip, knee, ankle, toes] = (['UpperLeg', 'LowerLeg', 'Foot', 'Toes'] as const).map((part) =>
      pathOf(target, out, roles[`left${part}`]!),
    ) as [Float64Array, Float64Array, Float64Array, Float64Array];
    for (let f = 0; f < FRAMES; f++) {
      const at = f * 3;
      // The performer faces +Z: a knee that bends its own way has its ankle behind the line of the thigh.
      const [ty, tz] = [knee[at + 1]! - hip[at + 1]!, knee[at + 2]! - hip[at + 2]!];
      const [sy, sz] = [ankle[at + 1]! - knee[at + 1]!, ankle[at + 2]! - knee[at + 2]!];
      expect((tz * sy - ty * sz) / length ** 2).toBeLessThan(0.01);
      expect(Math.min(ankle[at + 1]!, toes[at + 1]!) / length).toBeGreaterThan(-EXACT);
    }
  });

  it.each([40, 60, 80])(
    'toes of a foot that points back (its ankle at %d degrees) lie behind it and do not flip',
    (foot) => {
      for (const options of [{}, { legs: 0.5 }]) {
        const { target, out, length } = onto({ ...KNEELING, foot }, options);
        const { skeleton, body } = target;
        const { frontInToes } = soleOf(skeleton, body.roles).left;
        const [ankle, toes] = [body.roles.leftFoot!, body.roles.leftToes!];
        const pose = createWorldPose(skeleton.jointCount);
        const tip = new Float64Array(3);
        let before = 0;
        for (let f = 0; f < FRAMES; f++) {
          framePose(skeleton, out, f, restLocalPose(skeleton), pose);
          // In the rest pose of this figure foot and toes are turned alike.
          const bent = (angleBetweenQuats(pose.rotations, ankle * 4, pose.rotations, toes * 4) * 180) / Math.PI;
          if (f >= REST[0] && f <= REST[1]) expect(bent, `frame ${f}`).toBeLessThan(10);
          // At 60 frames a second: toes that flip turn by 120 degrees and more in four frames.
          if (f > 0) expect(Math.abs(bent - before), `frame ${f}`).toBeLessThan(15);
          before = bent;
          rotateXyz(tip, 0, pose.rotations, toes * 4, ...frontInToes!);
          expect((pose.positions[toes * 3 + 1]! + tip[1]!) / length, `frame ${f}`).toBeGreaterThan(-EXACT);
        }
      }
    },
  );

  it('toes that are tucked under lie flat', () => {
    const { target, out, length } = onto({ ...KNEELING, foot: -5 }, {});
    const pose = createWorldPose(target.skeleton.jointCount);
    for (let f = REST[0]; f <= REST[1]; f++) {
      framePose(target.skeleton, out, f, restLocalPose(target.skeleton), pose);
      const toes = target.body.roles.leftToes!;
      expect(Math.abs(pose.positions[toes * 3 + 1]!) / length).toBeLessThan(EXACT);
      expect(angleBetweenQuats(pose.rotations, toes * 4, LEVEL, 0)).toBeLessThan(0.02);
    }
  });

  it('gets down and up without a jerk', () => {
    const { target, out, plain, length } = onto(KNEELING, { legs: 0.6 });
    const most = (clip: Clip): number => {
      const path = pathOf(target, clip, target.body.roles.leftLowerLeg!);
      let worst = 0;
      for (let at = 3; at + 3 < path.length; at += 3) {
        worst = Math.max(
          worst,
          Math.hypot(...[0, 1, 2].map((k) => path[at - 3 + k]! - 2 * path[at + k]! + path[at + 3 + k]!)),
        );
      }
      return worst / length;
    };
    // Shares of the leg: the proof takes 0.02 beyond the motion's own for a jump (common practice, no source).
    expect(most(out)).toBeLessThan(most(plain) + 0.02);
  });
});

describe('the seat on the floor', () => {
  it.each(BODIES)('%s: the hip joints are as high as the seat is thick', (_, options) => {
    const { target, out } = onto(SITTING, options);
    const hip = pathOf(target, out, target.body.roles.leftUpperLeg!);
    const other = pathOf(target, out, target.body.roles.rightUpperLeg!);
    const { height, metresPerUnit } = target.body.frame;
    for (let f = REST[0]; f <= REST[1]; f++) {
      const middle = (hip[f * 3 + 1]! + other[f * 3 + 1]!) / 2;
      // 0.05 of standing height: 8.7 cm on 1.75 m (value from memory).
      expect(middle / (height * metresPerUnit)).toBeCloseTo(0.05, 3);
    }
  });
});

const KNEELING_CLIP = join(import.meta.dirname, '../../../shared/data/bvh/armsdown_19_joints.bvh');

describe.skipIf(!existsSync(KNEELING_CLIP))('a captured kneeling on real rigs (needs ../shared/data)', () => {
  async function receiverOf(rig: string): Promise<Receiver> {
    return createReceiver(await openCharacter(parseContainer(new Uint8Array(readFileSync(rigPath(rig))), rig)));
  }

  it.each(['man_casual.glb', 'slim_vrm0.vrm', 'knight.glb', 'unnamed_man.gltf'])(
    '%s: the skin of the knee touches the floor',
    async (rig) => {
      const file = parseBvh(readFileSync(KNEELING_CLIP), 'kneeling');
      const receiver = await receiverOf(rig);
      const { clip } = convert(performerFromBvh('kneeling', file.takes[0]!, file.notes), receiver);
      const { skeleton, body, alignment } = receiver.actor;
      const length = alignment.limbLengths[2]! + alignment.limbLengths[3]!;
      const pose = createWorldPose(skeleton.jointCount);
      // Its right knee is down from 5 s to 11 s, as the rendered clip shows.
      for (const f of [160, 200, 250, 300]) {
        framePose(skeleton, clip, f, restLocalPose(skeleton), pose);
        const knee = body.roles.rightLowerLeg! * 3;
        let lowest = Number.POSITIVE_INFINITY;
        for (const skin of receiver.skins) {
          const vertices = new Float64Array(skin.vertexCount * 3);
          skinVertices(skin, pose, vertices, new Float64Array(skin.bind.length));
          for (let at = 0; at < vertices.length; at += 3) {
            const away = Math.hypot(...[0, 1, 2].map((k) => vertices[at + k]! - pose.positions[knee + k]!));
            if (away < 0.16 * length) lowest = Math.min(lowest, vertices[at + 1]!);
          }
        }
        // Of the leg: the proof's own bound for knees in the floor and over it, 8 mm on an adult (common practice, no source).
        expect(Math.abs(lowest / length), `frame ${f}`).toBeLessThan(0.01);
      }
    },
  );
});
