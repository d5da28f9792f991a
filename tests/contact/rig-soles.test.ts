import { existsSync, readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { legLengthOf, soleOf } from '../../src/contact/measure-soles.ts';
import { parseContainer } from '../../src/formats/gltf/container.ts';
import { readCharacter } from '../../src/formats/gltf/read-character.ts';
import { rotateXyz } from '../../src/math/quat.ts';
import type { Role, RoleMap } from '../../src/pairing/roles.ts';
import { placementOf, placeSkeleton, placeSkin } from '../../src/skeleton/normalise.ts';
import { SIDES } from '../../src/skeleton/side.ts';
import { restWorldPose } from '../../src/skeleton/skeleton.ts';
import { skinVertices } from '../../src/skeleton/skin.ts';
import { rigPath, rigTruth } from '../support/rigs.ts';

/** Leg lengths: a tread is not quite flat. */
const TREAD_TOLERANCE = 0.025;
/** Leg lengths: artists mirror by hand. */
const MIRROR_TOLERANCE = 0.03;

describe.skipIf(!existsSync(rigPath('man_casual.glb')))('soles of real rigs (need ../shared/data/rigs)', () => {
  it.each([
    ['man_casual.glb', [0, 0, 1]],
    ['knight.glb', [0, 0, 1]],
    ['bunny.glb', [0, 0, 1]],
    ['boxman.glb', [0, 0, 1]],
    ['slim_vrm0.vrm', [0, 0, -1]],
    ['unnamed_man.gltf', [1, 0, 0]],
  ] as const)(
    '%s: heel, ball and toe tip lie on the lowest part of the mesh, in this order, left as right',
    (file, facing) => {
      const character = readCharacter(parseContainer(new Uint8Array(readFileSync(rigPath(file))), file));
      const truth = rigTruth()[file]!;
      const roles: RoleMap = {};
      for (const [role, name] of Object.entries(truth.roles ?? {})) {
        const joint = character.skeleton.names.indexOf((Array.isArray(name) ? name[0] : name) ?? '');
        if (joint >= 0) roles[role as Role] = joint;
      }
      const placement = placementOf([0, 1, 0], [...facing], 1.7 / truth.height, 0);
      const skeleton = placeSkeleton(character.skeleton, placement);
      const skins = character.skins.map((skin) => placeSkin(skin, placement));
      const pose = restWorldPose(skeleton);
      let lowest = Number.POSITIVE_INFINITY;
      for (const skin of skins) {
        const vertices = new Float64Array(skin.vertexCount * 3);
        skinVertices(skin, pose, vertices, new Float64Array(skin.bind.length));
        for (let at = 1; at < vertices.length; at += 3) lowest = Math.min(lowest, vertices[at]!);
      }
      const soles = soleOf(skeleton, roles, skins);
      const leg = legLengthOf(skeleton, roles, soles);
      const [left, right] = SIDES.map((side) => {
        const sole = soles[side];
        expect(sole.source).toBe('mesh');
        const points = [sole.heel, sole.ball, sole.toeTip].map((local) => {
          const at = new Float64Array(3);
          rotateXyz(at, 0, pose.rotations, sole.joint * 4, ...local);
          return Array.from(at, (v, k) => v + pose.positions[sole.joint * 3 + k]!);
        });
        for (const [, y] of points.slice(0, 2)) expect(y! - lowest).toBeLessThan(TREAD_TOLERANCE * leg);
        expect(points[0]![2]).toBeLessThan(points[1]![2]!);
        expect(points[1]![2]).toBeLessThan(points[2]![2]!);
        return points;
      });
      left!.forEach((point, i) => {
        expect(Math.abs(point[1]! - right![i]![1]!)).toBeLessThan(MIRROR_TOLERANCE * leg);
        expect(Math.abs(point[2]! - right![i]![2]!)).toBeLessThan(MIRROR_TOLERANCE * leg);
      });
    },
  );
});
