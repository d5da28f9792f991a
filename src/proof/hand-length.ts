import { oncePerKey } from '../skeleton/once-per.ts';
import { type Build, stature } from './build.ts';
import { partVertices } from './part-vertices.ts';
import { quantile } from './statistics.ts';

/** A person's, as a share of standing height (Drillis & Contini 1966, as printed in Winter; value from memory). */
const PERSON = 0.108;
/** So many of its vertices lie within a hand's length of the wrist: all but stray ones. */
const WITHIN = 0.98;
const ENOUGH_VERTICES = 12;

/** How long a hand is that the figure has, leg lengths: by the mesh, else as of a person as tall as the figure stands. */
export const handLength = oncePerKey((build: Build, role: 'leftHand' | 'rightHand'): number => {
  const { figure, rest, legLength } = build;
  const { skeleton, roles } = figure;
  const joint = roles[role];
  if (joint === undefined) return PERSON * stature(build);
  const isHand = new Uint8Array(skeleton.jointCount).fill(1, joint, skeleton.subtreeEnd[joint]!);
  const vertices = partVertices(build, isHand);
  if (vertices.length / 3 < ENOUGH_VERTICES) return PERSON * stature(build);
  const distances: number[] = [];
  for (let i = 0; i < vertices.length; i += 3) {
    const [x, y, z] = [0, 1, 2].map((k) => vertices[i + k]! - rest.positions[joint * 3 + k]!) as [
      number,
      number,
      number,
    ];
    distances.push(Math.hypot(x, y, z));
  }
  return quantile(distances, WITHIN) / legLength;
});
