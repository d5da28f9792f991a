import { correctionDirections, type Role } from '../../src/index.ts';

type Vec = readonly [number, number, number];
const cross = (a: Vec, b: Vec): Vec => [
  a[1] * b[2] - a[2] * b[1],
  a[2] * b[0] - a[0] * b[2],
  a[0] * b[1] - a[1] * b[0],
];
const dot = (a: Vec, b: Vec): number => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];

/**
 * The swing that takes a segment from one direction to another, as a correction says it: degrees forward and outward.
 * What the way between the two turns about the segment itself is left out: that is twist.
 * @param from, to  unit, in the canonical posture
 */
export function swingBetween(role: Role, from: Vec, to: Vec): { forward: number; outward: number } {
  const { along, forward, outward } = correctionDirections(role);
  const axis = cross(from, to);
  const sine = Math.hypot(...axis);
  const angle = (Math.atan2(sine, dot(from, to)) * 180) / Math.PI;
  if (sine < 1e-9) return { forward: 0, outward: 0 };
  const part = (direction: Vec): number => (dot(axis, cross(along, direction)) / sine) * angle;
  return { forward: part(forward), outward: part(outward) };
}
