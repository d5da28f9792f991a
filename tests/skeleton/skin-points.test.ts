import { describe, expect, it } from 'vitest';
import { createWorldPose, restWorldPose } from '../../src/skeleton/skeleton.ts';
import { type SkinMesh, skinVertices } from '../../src/skeleton/skin.ts';
import { carryPoints, type Depth, depthBelow, type SkinPoints, spreadPoints } from '../../src/skeleton/skin-points.ts';
import { chain } from '../support/biped.ts';
import { axisAngle } from '../support/quat.ts';
import { skinEllipsoid } from '../support/skin-ellipsoid.ts';

const RADIUS = 0.1;
const skeleton = chain(2);
const rest = restWorldPose(skeleton);
const ball = skinEllipsoid(skeleton, 0, [0, 0, 0], [RADIUS, RADIUS, RADIUS]);
const [x, y, z] = rest.positions;

function spread(skin: SkinMesh, belongs: Parameters<typeof spreadPoints>[2] = () => true, count = 400): SkinPoints {
  const points = spreadPoints([skin], rest, belongs, count)!;
  carryPoints(points, rest);
  return points;
}

/** From the middle of the ball. */
function depthAt(points: SkinPoints, dx: number, dy: number, dz: number): number {
  const found: Depth = { depth: 0, piece: 0 };
  depthBelow(found, [points], rest, Float64Array.of(x! + dx, y! + dy, z! + dz), 0);
  return found.depth;
}

describe('points on a ball', () => {
  const points = spread(ball);

  it('are as many as asked for, and as far apart as their area tells', () => {
    expect(points.count).toBe(400);
    expect(points.spacing / Math.sqrt((4 * Math.PI * RADIUS ** 2) / 400)).toBeCloseTo(1, 1);
  });

  it.each([
    ['near its skin', 0.08, 0.02],
    ['half way', 0.05, 0.05],
    ['outside', 0.15, -0.05],
  ])('tell how deep a place is: %s', (_, far, depth) => {
    for (const [dx, dy, dz] of [
      [1, 0, 0],
      [0, -1, 0],
      [-0.6, 0, 0.8],
    ] as const)
      expect(depthAt(points, far * dx, far * dy, far * dz)).toBeCloseTo(depth, 2);
  });

  it('have their outside outside, whichever way the mesh is wound', () => {
    const turned = ball.triangles.slice();
    for (let i = 0; i < turned.length; i += 3) [turned[i], turned[i + 1]] = [turned[i + 1]!, turned[i]!];
    expect(depthAt(spread({ ...ball, triangles: turned }), 0.05, 0, 0)).toBeCloseTo(0.05, 2);
  });
});

it('a place beyond the rim of an open piece is not below it', () => {
  const lower = spread(ball, (_, corners, world) => [0, 1, 2].every((k) => world[corners[k]! * 3 + 1]! <= y! + 1e-6));
  expect(depthAt(lower, 0, -0.05, 0)).toBeCloseTo(0.05, 2);
  expect(depthAt(lower, 0.05, 0.2, 0)).toBeLessThan(0);
});

it('points blend as the triangles do on which they lie', () => {
  // Each vertex follows the second joint the more, the higher it is.
  const { vertexCount, positions } = ball;
  const joints = Uint16Array.from({ length: vertexCount * 2 }, (_, i) => i % 2);
  const weights = Float32Array.from({ length: vertexCount * 2 }, (_, i) => {
    const up = (positions[(i >> 1) * 3 + 1]! - y! + RADIUS) / (2 * RADIUS);
    return i % 2 ? up : 1 - up;
  });
  const bind = new Float64Array(24);
  for (let j = 0; j < 2; j++)
    for (let k = 0; k < 3; k++) {
      bind[j * 12 + k * 5] = 1;
      bind[j * 12 + k * 4 + 3] = -rest.positions[j * 3 + k]!;
    }
  const blended: SkinMesh = { ...ball, influences: 2, joints, weights, bind };
  const pose = createWorldPose(2);
  pose.positions.set(rest.positions);
  pose.rotations.set([...axisAngle(1, 0, 0, 0.5), ...axisAngle(0, 0.6, 0.8, -0.9)]);
  // One point a triangle, or so: it has to lie in the plane of one.
  const points = spread(blended, (_, corners) => corners[0]! > 300 && corners[0]! < 303, 5);
  carryPoints(points, pose);
  const world = new Float64Array(vertexCount * 3);
  skinVertices(blended, pose, world, new Float64Array(24));
  for (let p = 0; p < points.count; p++) expect(nearestPlane(points.places, p * 3, world)).toBeLessThan(1e-7);
});

/** Smallest distance of a point from the planes of triangles that it lies over. */
function nearestPlane(at: Float64Array, i: number, world: Float64Array): number {
  let least = Number.POSITIVE_INFINITY;
  const { triangles } = ball;
  const sub = (a: ArrayLike<number>, b: ArrayLike<number>): number[] => [0, 1, 2].map((k) => a[k]! - b[k]!);
  const cross = (a: number[], b: number[]): number[] =>
    [0, 1, 2].map((k) => a[(k + 1) % 3]! * b[(k + 2) % 3]! - a[(k + 2) % 3]! * b[(k + 1) % 3]!);
  const dot = (a: number[], b: number[]): number => a.reduce((sum, v, k) => sum + v * b[k]!, 0);
  for (let t = 0; t < triangles.length; t += 3) {
    const [a, b, c] = [0, 1, 2].map((k) => world.subarray(triangles[t + k]! * 3, triangles[t + k]! * 3 + 3));
    const normal = cross(sub(b!, a!), sub(c!, a!));
    const square = dot(normal, normal);
    const place = at.subarray(i, i + 3);
    const [u, v] = [dot(cross(sub(place, a!), sub(c!, a!)), normal), dot(cross(sub(b!, a!), sub(place, a!)), normal)];
    if (!(square > 0) || u < 0 || v < 0 || u + v > square) continue;
    least = Math.min(least, Math.abs(dot(sub(place, a!), normal)) / Math.sqrt(square));
  }
  return least;
}
