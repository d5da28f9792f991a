import { describe, expect, it } from 'vitest';
import { readRestPose } from '../../src/pairing/rest-pose.ts';
import type { RoleMap } from '../../src/pairing/roles.ts';
import { buildSkeleton, type JointSource } from '../../src/skeleton/skeleton.ts';

type Triple = [number, number, number];

function joint(name: string, translation: Triple, ...children: JointSource[]): JointSource {
  return { name, rotation: [0, 0, 0, 1], translation, children };
}

/** A figure whose arms point `down` and `forward` degrees from straight out; Z up and facing -Y when `zUp`. */
function figure(down: number, { forward = 0, rightDown = down, legBend = 0, zUp = false } = {}) {
  const rad = Math.PI / 180;
  const place = ([x, y, z]: Triple): Triple => (zUp ? [x, -z, y] : [x, y, z]);
  const arm = (sign: number, angle: number): Triple => {
    const out = Math.cos(angle * rad) * Math.cos(forward * rad);
    return place([
      sign * out * 0.3,
      -Math.sin(angle * rad) * 0.3,
      Math.cos(angle * rad) * Math.sin(forward * rad) * 0.3,
    ]);
  };
  const limb = (side: string, sign: number, angle: number) =>
    joint(
      `${side}UpperArm`,
      place([sign * 0.2, 0.5, 0]),
      joint(`${side}LowerArm`, arm(sign, angle), joint(`${side}Hand`, arm(sign, angle))),
    );
  const shin = place([0, -0.4 * Math.cos(legBend * rad), 0.4 * Math.sin(legBend * rad)]);
  const leg = (side: string, sign: number) =>
    joint(`${side}UpperLeg`, place([sign * 0.1, 0, 0]), joint(`${side}LowerLeg`, shin));
  const { skeleton } = buildSkeleton([
    joint(
      'hips',
      place([0, 1, 0]),
      limb('left', 1, down),
      limb('right', -1, rightDown),
      leg('left', 1),
      leg('right', -1),
    ),
  ]);
  const roles = Object.fromEntries(skeleton.names.map((name, j) => [name, j])) as RoleMap;
  const up: Triple = zUp ? [0, 0, 1] : [0, 1, 0];
  const facing: Triple = zUp ? [0, -1, 0] : [0, 0, 1];
  return { skeleton, body: { roles, frame: { up, facing } } };
}

describe('a rest pose', () => {
  it.each([
    ['T', 0, {}],
    ['T', 15, {}],
    ['T', 0, { zUp: true }],
    ['T', -10, {}],
    ['A', 30, {}],
    ['A', 45, { zUp: true }],
    ['A', 60, { forward: 25 }],
    ['other', 85, {}],
    ['other', -80, {}],
    ['other', 0, { forward: 70 }],
    ['other', 0, { rightDown: 60 }],
    ['other', 0, { legBend: 80 }],
  ] as const)('is %s with arms %i degrees down, %j', (kind, down, options) => {
    const { skeleton, body } = figure(down, options);
    const pose = readRestPose(skeleton, body);
    expect(pose.kind).toBe(kind);
    expect(pose.armsDownDegrees).toBeCloseTo(((options as { rightDown?: number }).rightDown ?? down) / 2 + down / 2, 6);
  });

  it('says so when an arm is missing', () => {
    const { skeleton, body } = figure(0);
    const { rightUpperArm: _, ...roles } = body.roles;
    expect(readRestPose(skeleton, { ...body, roles })).toMatchObject({ kind: 'other', armsDownDegrees: null });
  });
});
