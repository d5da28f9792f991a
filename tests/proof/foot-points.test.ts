import { describe, expect, it } from 'vitest';
import { measureFootPoints } from '../../src/proof/foot-points.ts';
import { jointAngles } from '../../src/proof/joint-angles.ts';
import type { FootPoints, ProofFigure } from '../../src/proof/measure.ts';
import { prove } from '../../src/proof/prove.ts';
import { buildTrack, pathOf } from '../../src/proof/track.ts';
import { type Clip, createClip } from '../../src/skeleton/clip.ts';
import { buildSkeleton } from '../../src/skeleton/skeleton.ts';
import type { SkinMesh } from '../../src/skeleton/skin.ts';
import { KNEELING, standingThenDown } from '../support/going-down.ts';

const LEG = 0.8;
const ANKLE = 0.08;

/** What a foot is made of, in the rest pose: corners of a shoe as [x, y, z], all on the foot joint. */
interface ShoeOptions {
  corners: [number, number, number][];
  toesAt?: number;
}

/** A single left leg that stands straight, with a shoe. */
function shoe({ corners, toesAt }: ShoeOptions): Omit<ProofFigure, 'clip'> & { joints: number } {
  const none: [number, number, number, number] = [0, 0, 0, 1];
  const { skeleton } = buildSkeleton([
    {
      name: 'thigh',
      rotation: none,
      translation: [0.1, LEG + ANKLE, 0],
      children: [
        {
          name: 'shin',
          rotation: none,
          translation: [0, -LEG / 2, 0],
          children: [
            {
              name: 'foot',
              rotation: none,
              translation: [0, -LEG / 2, 0],
              children:
                toesAt === undefined
                  ? []
                  : [{ name: 'toes', rotation: none, translation: [0, 0.02 - ANKLE, toesAt], children: [] }],
            },
          ],
        },
      ],
    },
  ]);
  const bind = new Float64Array(skeleton.jointCount * 12);
  const heights = [
    [0.1, LEG + ANKLE, 0],
    [0.1, LEG / 2 + ANKLE, 0],
    [0.1, ANKLE, 0],
    [0.1, 0.02, toesAt ?? 0],
  ];
  for (let j = 0; j < skeleton.jointCount; j++)
    for (let k = 0; k < 3; k++) {
      bind[j * 12 + k * 5] = 1;
      bind[j * 12 + k * 4 + 3] = -heights[j]![k]!;
    }
  const skin: SkinMesh = {
    name: 'shoe',
    vertexCount: corners.length,
    positions: Float32Array.from(corners.flat()),
    triangles: new Uint32Array(0),
    influences: 1,
    joints: new Uint16Array(corners.length).fill(2),
    weights: new Float32Array(corners.length).fill(1),
    bind,
  };
  const roles = { leftUpperLeg: 0, leftLowerLeg: 1, leftFoot: 2, ...(toesAt === undefined ? {} : { leftToes: 3 }) };
  return { skeleton, roles, skins: [skin], joints: skeleton.jointCount };
}

function still(joints: number, frameCount = 2): Clip {
  const clip = createClip('still', frameCount, 1 / 60, joints, [0]);
  for (let i = 3; i < clip.rotations.length; i += 4) clip.rotations[i] = 1;
  for (let f = 0; f < frameCount; f++) clip.translations.set([0.1, LEG + ANKLE, 0], f * 3);
  return clip;
}

function points(options: ShoeOptions): FootPoints {
  const { joints, ...figure } = shoe(options);
  return measureFootPoints(buildTrack({ ...figure, clip: still(joints) }, 2, 0, 1), 'left')!;
}

/** Where a point of the foot joint is in the rest pose. */
function inRest(point: { joint: number; offset: number[] }, toesAt = 0): number[] {
  const origin = point.joint === 3 ? [0.1, 0.02, toesAt] : [0.1, ANKLE, 0];
  return origin.map((x, k) => x + point.offset[k]!);
}

/** A sole from 0.06 m behind the ankle to 0.2 m before it, 0.08 m wide, with a round heel that ends 0.02 m further back. */
const SHOE: [number, number, number][] = [0.06, 0.14].flatMap((x) => [
  [x, 0.015, -0.08] as [number, number, number],
  ...[-0.06, -0.03, 0.0, 0.05, 0.1, 0.15, 0.2].map((z) => [x, 0, z] as [number, number, number]),
  [x, 0.08, -0.08] as [number, number, number],
  [x, 0.06, 0.2] as [number, number, number],
]);

/** Float32 vertices. */
const CLOSE = 6;

describe('contact points on the mesh', () => {
  it('take the rear edge of the tread for the heel, not the end of a round heel', () => {
    const { heel, heelFront, from } = points({ corners: SHOE });
    expect(from).toBe('skin');
    const at = inRest(heel);
    expect(at[0]).toBeCloseTo(0.1, CLOSE);
    expect(at[1]).toBeCloseTo(0, CLOSE);
    expect(at[2]).toBeCloseTo(-0.06, CLOSE);
    // The heel is the rear 35 % of 0.28 m: up to z = 0.018, where the tread's last vertices are at 0.
    expect(inRest(heelFront!)[2]).toBeCloseTo(0, CLOSE);
  });

  it('put the ball under the toes joint and let it move with the toes', () => {
    const { ball, toe } = points({ corners: SHOE, toesAt: 0.13 });
    expect(ball.joint).toBe(3);
    const at = inRest(ball, 0.13);
    expect(at[1]).toBeCloseTo(0, CLOSE);
    expect(at[2]).toBeCloseTo(0.13, CLOSE);
    expect(inRest(toe!, 0.13)[2]).toBeCloseTo(0.2, CLOSE);
  });

  it('treat a foot whose toes joint is not at the ball as one without', () => {
    expect(points({ corners: SHOE, toesAt: 0.0 }).ball.joint).toBe(2);
    expect(points({ corners: SHOE }).ball.joint).toBe(2);
  });

  it('lie in the middle of the tread when the ankle is beside the shoe', () => {
    const beside = SHOE.map(([x, y, z]) => [x + 0.05, y, z] as [number, number, number]);
    expect(inRest(points({ corners: beside }).heel)[0]).toBeCloseTo(0.15, CLOSE);
  });
});

describe('the zero of the ankle', () => {
  /** The shoe, turned about the ankle by so many degrees (toes down), in a rest pose whose lowest point is on the floor. */
  function hanging(degrees: number): ReturnType<typeof shoe> {
    const a = (degrees * Math.PI) / 180;
    const turned = SHOE.map(([x, y, z]): [number, number, number] => {
      const up = y - ANKLE;
      return [x, ANKLE + up * Math.cos(a) - z * Math.sin(a), z * Math.cos(a) + up * Math.sin(a)];
    });
    const lift = Math.min(...turned.map(([, y]) => y));
    const figure = shoe({ corners: turned });
    // The hip rises, and all that hangs from it; the mesh is bound where it is.
    figure.skeleton.restTranslations[1]! -= lift;
    const [skin] = figure.skins!;
    for (let v = 1; v < skin!.positions.length; v += 3) skin!.positions[v]! -= lift;
    for (let j = 0; j < figure.joints; j++) skin!.bind[j * 12 + 7]! += lift;
    return figure;
  }

  // Neutral is the sole square to the shin (AAOS, Joint Motion: Method of Measuring and Recording, 1965; value from memory).
  it.each([0, 4, 15, 25, -12])(
    'is the sole square to the shin, where the rest pose lets the toes hang by %s degrees',
    (degrees) => {
      const { joints, ...figure } = hanging(degrees);
      const track = buildTrack({ ...figure, clip: still(joints) }, 2, 0, 1);
      expect(measureFootPoints(track, 'left')!.from).toBe('skin');
      // The shin is upright in every frame and the foot hangs as in the rest pose.
      expect(jointAngles(track, 'left ankle')![1]).toBeCloseTo(-degrees, 3);
    },
  );
});

describe('contact points without a mesh', () => {
  it('are laid out where the foot stands, not behind a knee that rests on the floor for longer', () => {
    const { actor, clip } = standingThenDown(KNEELING, {
      restTurns: { leftFoot: [[1, 0, 0], 60], rightFoot: [[1, 0, 0], 60] },
    });
    const track = buildTrack({ skeleton: actor.skeleton, clip, roles: actor.body.roles }, clip.frameCount, 0, 1);
    const { heel, ball, from } = measureFootPoints(track, 'left')!;
    expect(from).toBe('motion');
    // In its first frame the figure stands with its feet flat.
    expect(pathOf(track, heel)[1]).toBeCloseTo(0, CLOSE);
    expect(pathOf(track, ball)[1]).toBeCloseTo(0, CLOSE);
  });

  it('are those of the rest pose for one who kneels all the time, on feet that lie behind the shins', () => {
    const { joints, skins: _, ...figure } = shoe({ corners: [], toesAt: 0.13 });
    const clip = still(joints, 60);
    const [s, c] = [Math.sin(Math.PI / 4), Math.cos(Math.PI / 4)];
    for (let f = 0; f < 60; f++) {
      // The thigh stands, the shin lies level behind the knee, the foot points down from it.
      clip.translations.set([0.1, LEG / 2 + 0.05, 0], f * 3);
      clip.rotations.set([s, 0, 0, c], (f * joints + 1) * 4);
    }
    const track = buildTrack({ ...figure, clip }, 60, 0, 1);
    expect(measureFootPoints(track, 'left')!.from).toBe('rest pose');
    expect(jointAngles(track, 'left ankle')![30]).toBeCloseTo(0, 3);
  });
});

describe('a foot that pivots', () => {
  const contacts = {
    left: { heel: [{ start: 0, end: 1, confidence: 1 }], ball: [], foot: [{ start: 0, end: 1, confidence: 1 }] },
    right: { heel: [], ball: [], foot: [] },
  };

  /** Turns the whole leg about a vertical axis at z, by `angle` in all. */
  function turning(z: number, angle: number): ProofFigure {
    const { joints, ...figure } = shoe({ corners: SHOE });
    const clip = still(joints, 61);
    for (let f = 0; f < 61; f++) {
      const a = (angle * f) / 60;
      clip.rotations.set([0, Math.sin(a / 2), 0, Math.cos(a / 2)], f * joints * 4);
      clip.translations.set([0.1 - z * Math.sin(a), LEG + ANKLE, z - z * Math.cos(a)], f * 3);
    }
    return { ...figure, clip };
  }

  const travel = (figure: ProofFigure) =>
    prove(figure, undefined, { contacts }).measures.find((m) => m.id === 'plant-travel')!.value! * LEG;

  it('may turn on any point of its heel', () => {
    expect(travel(turning(-0.06, 1.2))).toBeLessThan(1e-5);
    expect(travel(turning(-0.03, 1.2))).toBeLessThan(1e-5);
    expect(travel(turning(0, 1.2))).toBeLessThan(1e-5);
  });

  it('slides when it turns on a point outside it', () => {
    // The nearest point of the heel is 0.1 m away from the axis: a chord of 2 · 0.1 · sin(0.6).
    const chord = 2 * 0.1 * Math.sin(0.6);
    expect(Math.abs(travel(turning(0.1, 1.2)) / chord - 1)).toBeLessThan(0.01);
  });
});
