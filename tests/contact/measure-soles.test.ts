import { describe, expect, it } from 'vitest';
import { legLengthOf, soleOf, soleOfMotion } from '../../src/contact/measure-soles.ts';
import { footTrajectories, pointTrajectories } from '../../src/contact/trajectories.ts';
import { RigproofError } from '../../src/errors.ts';
import { rotateVecInverse, rotateXyz } from '../../src/math/quat.ts';
import { createClip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { SIDES, type Side } from '../../src/skeleton/side.ts';
import { createWorldPose, restWorldPose, type Skeleton } from '../../src/skeleton/skeleton.ts';
import type { SkinMesh } from '../../src/skeleton/skin.ts';
import { figure, seeded } from '../support/figure.ts';
import { KNEELING, standingThenDown } from '../support/going-down.ts';
import { axisAngle, product } from '../support/quat.ts';

const TOLERANCE = 1e-6; // m. Float32 vertices of 1 m are exact to 6e-8.

function world(skeleton: Skeleton, joint: number, local: readonly [number, number, number]): number[] {
  const pose = restWorldPose(skeleton);
  const out = new Float64Array(3);
  rotateXyz(out, 0, pose.rotations, joint * 4, ...local);
  return Array.from(out, (v, k) => v + pose.positions[joint * 3 + k]!);
}

/** A shoe as a box of vertices: heel end at z = back, toe end at z = front, tread at y = tread; all on one joint. */
function shoe(
  skeleton: Skeleton,
  joint: number,
  x: number,
  back: number,
  front: number,
  tread: number,
  size = 1,
): SkinMesh {
  const spots: number[][] = [];
  for (let i = 0; i <= 10; i++) {
    for (const dx of [-0.04 * size, 0, 0.04 * size])
      for (const y of [tread, tread + 0.08 * size]) {
        spots.push([x + dx, y, back + ((front - back) * i) / 10]);
      }
  }
  const pose = restWorldPose(skeleton);
  const bind = new Float64Array(skeleton.jointCount * 12);
  // World to joint: the transposed rotation, and its translation.
  for (let c = 0; c < 3; c++) {
    const axis = new Float64Array(3);
    axis[c] = 1;
    rotateVecInverse(axis, 0, pose.rotations, joint * 4, axis, 0);
    for (let r = 0; r < 3; r++) bind[joint * 12 + r * 4 + c] = axis[r]!;
  }
  const back2 = Float64Array.from([0, 1, 2], (k) => -pose.positions[joint * 3 + k]!);
  rotateVecInverse(back2, 0, pose.rotations, joint * 4, back2, 0);
  for (let r = 0; r < 3; r++) bind[joint * 12 + r * 4 + 3] = back2[r]!;
  return {
    name: 'shoe',
    vertexCount: spots.length,
    positions: Float32Array.from(spots.flat()),
    triangles: new Uint32Array(0),
    influences: 4,
    joints: Uint16Array.from(spots.flatMap(() => [joint, 0, 0, 0])),
    weights: Float32Array.from(spots.flatMap(() => [1, 0, 0, 0])),
    bind,
  };
}

function shoes(skeleton: Skeleton, joints: Record<Side, number>): SkinMesh[] {
  return SIDES.map((side) => shoe(skeleton, joints[side], side === 'left' ? 0.09 : -0.09, -0.07, 0.21, -0.02));
}

describe('soleOf', () => {
  it.each([{}, { rollSeed: 4 }, { detachedFeet: true }, { scale: 0.2 }])(
    'measures heel, ball and toe tip on the mesh: %o',
    (options) => {
      const { skeleton, body } = figure(options);
      const k = 'scale' in options ? 0.2 : 1;
      const meshes = SIDES.map((side) =>
        shoe(
          skeleton,
          body.roles[`${side}Foot`]!,
          (side === 'left' ? 0.09 : -0.09) * k,
          -0.07 * k,
          0.21 * k,
          -0.02 * k,
          k,
        ),
      );
      const soles = soleOf(skeleton, body.roles, meshes);
      for (const side of SIDES) {
        const sole = soles[side];
        expect(sole.source).toBe('mesh');
        const heel = world(skeleton, sole.joint, sole.heel);
        const ball = world(skeleton, sole.joint, sole.ball);
        const tip = world(skeleton, sole.joint, sole.toeTip);
        for (const point of [heel, ball, tip]) expect(point[1]! / k).toBeCloseTo(-0.02, 5);
        expect(tip[2]! / k).toBeCloseTo(0.21, 2);
        expect(heel[2]! / k).toBeGreaterThan(-0.071);
        expect(heel[2]! / k).toBeLessThan(0);
        // The toes joint of the figure is at z = 0.14.
        expect(ball[2]! / k).toBeCloseTo(0.14, 2);
        expect(sole.soleHeight / k).toBeCloseTo(0.1, 5);
        expect(
          world(skeleton, sole.toesJoint!, sole.toeTipInToes!)
            .map((v, i) => Math.abs(v - tip[i]!))
            .every((d) => d < TOLERANCE),
        ).toBe(true);
      }
    },
  );

  it('finds the shoe on the shank where a detached foot carries no skin', () => {
    const { skeleton, body } = figure({ detachedFeet: true });
    const soles = soleOf(
      skeleton,
      body.roles,
      shoes(skeleton, { left: body.roles.leftLowerLeg!, right: body.roles.rightLowerLeg! }),
    );
    for (const side of SIDES) {
      expect(soles[side].source).toBe('mesh');
      expect(soles[side].joint).toBe(body.roles[`${side}Foot`]);
      expect(world(skeleton, soles[side].joint, soles[side].heel)[1]).toBeCloseTo(-0.02, 5);
    }
  });

  it('lays the sole out from the joints where there is no mesh: left and right alike', () => {
    const { skeleton, body } = figure({ rollSeed: 9 });
    const soles = soleOf(skeleton, body.roles);
    const [left, right] = SIDES.map((side) => {
      const sole = soles[side];
      expect(sole.source).toBe('joints');
      return [sole.heel, sole.ball, sole.toeTip].map((point) => world(skeleton, sole.joint, point));
    });
    left!.forEach((point, i) => {
      expect(point[0]).toBeCloseTo(-right![i]![0]!, 5);
      expect(point[1]).toBeCloseTo(right![i]![1]!, 5);
      expect(point[2]).toBeCloseTo(right![i]![2]!, 5);
      // The toes joint of the figure is at y = 0.
      expect(point[1]).toBeCloseTo(0, 5);
    });
    expect(left![0]![2]).toBeLessThan(0);
    expect(left![1]![2]).toBeCloseTo(0.14, 3);
  });

  it('levels a foot that points straight down in the rest pose', () => {
    const { skeleton, body } = figure({
      restTurns: { leftFoot: [[1, 0, 0], 60], rightFoot: [[1, 0, 0], 60] },
    });
    const plain = figure();
    const wanted = soleOf(plain.skeleton, plain.body.roles);
    const soles = soleOf(skeleton, body.roles);
    for (const side of SIDES) {
      // In the frame of the joint, which turned with the foot, the points are where they were, to 3 cm: the
      // figure's ankle is 8 cm high, that of a handbook body with its legs 6.5 cm.
      for (const point of ['heel', 'ball'] as const) {
        const distance = Math.hypot(...soles[side][point].map((v, k) => v - wanted[side][point][k]!));
        expect(distance).toBeLessThan(0.03);
      }
    }
  });

  it('uses the lower leg of a figure without feet, and says what is missing without legs', () => {
    const { skeleton, body } = figure();
    const { leftFoot: _l, rightFoot: _r, leftToes: _lt, rightToes: _rt, ...roles } = body.roles;
    const { left } = soleOf(skeleton, roles);
    expect(left.joint).toBe(roles.leftLowerLeg);
    // Knee at 0.49 m, thigh of 0.41 m: the leg ends 8 cm over the floor of the figure, where its ankle was.
    expect(world(skeleton, left.joint, left.heel)[1]).toBeCloseTo(0.08, 2);
    expect(world(skeleton, left.joint, left.ball)[2]).toBeGreaterThan(0.05);
    const { leftLowerLeg: _ll, ...legless } = roles;
    expect(() => soleOf(skeleton, legless)).toThrow(RigproofError);
  });
});

describe('trajectories of points on joints', () => {
  it('are where forward kinematics of the whole skeleton puts them', () => {
    const { skeleton, body } = figure({ rollSeed: 3, detachedFeet: false });
    const random = seeded(5);
    const clip = createClip('random', 6, 1 / 30, skeleton.jointCount, [0, 3]);
    for (let f = 0; f < clip.frameCount; f++) {
      for (let j = 0; j < skeleton.jointCount; j++) {
        const rest = skeleton.restRotations.subarray(j * 4, j * 4 + 4);
        const turned = product(rest, axisAngle(0, 0.6, 0.8, random()));
        clip.rotations.set(turned, (f * skeleton.jointCount + j) * 4);
      }
      for (let k = 0; k < 6; k++) clip.translations[f * 6 + k] = random();
    }
    const soles = soleOf(skeleton, body.roles);
    const feet = footTrajectories(skeleton, clip, soles);
    const pose = createWorldPose(skeleton.jointCount);
    const scratch = restLocalPose(skeleton);
    for (let f = 0; f < clip.frameCount; f++) {
      framePose(skeleton, clip, f, scratch, pose);
      for (const side of SIDES)
        for (const point of ['heel', 'ball'] as const) {
          const at = new Float64Array(3);
          rotateXyz(at, 0, pose.rotations, soles[side].joint * 4, ...soles[side][point]);
          for (let k = 0; k < 3; k++) {
            const expected = at[k]! + pose.positions[soles[side].joint * 3 + k]!;
            expect(Math.abs(feet[side][point][f * 3 + k]! - expected)).toBeLessThan(TOLERANCE);
          }
        }
    }
    expect(pointTrajectories(skeleton, clip, 0, [[0, 0, 0]])[0]!.slice(0, 3)).toEqual(
      Float64Array.from(clip.translations.slice(0, 3)),
    );
  });

  it('lay out the sole in the frame in which the foot stands, not in a zero pose that is no posture', () => {
    const rest = figure({ restTurns: { leftFoot: [[1, 0, 0], 60], rightFoot: [[1, 0, 0], 60] } });
    const { skeleton, body } = rest;
    const plain = figure();
    // All frames show the flat foot of the plain figure.
    const clip = createClip('stand', 10, 1 / 30, skeleton.jointCount, [0]);
    for (let f = 0; f < 10; f++) {
      clip.rotations.set(plain.skeleton.restRotations, f * skeleton.jointCount * 4);
      clip.translations.set(plain.skeleton.restTranslations.slice(0, 3), f * 3);
    }
    const soles = soleOfMotion(skeleton, clip, body.roles);
    const feet = footTrajectories(skeleton, clip, soles);
    for (const side of SIDES)
      for (const point of ['heel', 'ball'] as const) {
        expect(Math.abs(feet[side][point][1]!)).toBeLessThan(1e-5);
      }
    expect(legLengthOf(skeleton, body.roles, soles)).toBeCloseTo(0.9, 2);
  });

  it('lay it out where the foot stands, not behind a knee that rests on the floor for longer', () => {
    const { actor, clip } = standingThenDown(KNEELING, {
      restTurns: { leftFoot: [[1, 0, 0], 60], rightFoot: [[1, 0, 0], 60] },
    });
    const { skeleton, body } = actor;
    const feet = footTrajectories(skeleton, clip, soleOfMotion(skeleton, clip, body.roles));
    // In its first frame the figure stands with its feet flat.
    for (const side of SIDES)
      for (const point of ['heel', 'ball'] as const) expect(Math.abs(feet[side][point][1]!)).toBeLessThan(1e-5);
  });
});
