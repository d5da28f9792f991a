import { describe, expect, it } from 'vitest';
import { mulQuat, rotateVec, rotateXyz } from '../../src/math/quat.ts';
import { createTwoBoneScratch, solveTwoBone } from '../../src/math/two-bone.ts';
import { randomQuat, seeded } from '../support/figure.ts';

type Vec = [number, number, number];

/** m. Float64 throughout; the aim loses a few digits where limb and target are nearly opposite. */
const TIP_TOLERANCE = 1e-9;

/** Solves a limb given by its bones, then finds its joints by own forward kinematics. */
function solve(root: Vec, upper: Vec, lower: Vec, target: Vec, hinge: Vec = [1, 0, 0]): { middle: Vec; end: Vec } {
  const middle: Vec = [root[0] + upper[0], root[1] + upper[1], root[2] + upper[2]];
  const end: Vec = [middle[0] + lower[0], middle[1] + lower[1], middle[2] + lower[2]];
  const turns = new Float64Array(8);
  solveTwoBone(
    Float64Array.from([...root, ...middle, ...end]),
    0,
    3,
    6,
    Float64Array.from(target),
    0,
    Float64Array.from(hinge),
    0,
    turns,
    createTwoBoneScratch(),
  );
  const u = Float64Array.from(upper);
  const l = Float64Array.from(lower);
  rotateVec(u, 0, turns, 0, u, 0);
  rotateVec(l, 0, turns, 4, l, 0);
  const m: Vec = [root[0] + u[0]!, root[1] + u[1]!, root[2] + u[2]!];
  return { middle: m, end: [m[0] + l[0]!, m[1] + l[1]!, m[2] + l[2]!] };
}

function distance(a: Vec, b: Vec): number {
  return Math.hypot(a[0] - b[0], a[1] - b[1], a[2] - b[2]);
}

describe('solveTwoBone', () => {
  it('meets the law of cosines: the interior angle of a 3-4-5 limb is a right one', () => {
    // Euclid, Elements I.47: sides 3 and 4 enclose a right angle when the third is 5.
    const { middle, end } = solve([0, 0, 0], [0, -3, 0], [0, -4, -0.5], [0, -5, 0]);
    const a = [-middle[0], -middle[1], -middle[2]];
    const b = [end[0] - middle[0], end[1] - middle[1], end[2] - middle[2]];
    const length = Math.hypot(4, 0.5);
    const cosine = (a[0]! * b[0]! + a[1]! * b[1]! + a[2]! * b[2]!) / (3 * length);
    expect(cosine).toBeCloseTo((9 + length * length - 25) / (2 * 3 * length), 12);
  });

  it('reaches every target within reach, in any frame, and keeps bone lengths and plane', () => {
    const random = seeded(5);
    for (let i = 0; i < 500; i++) {
      const q = randomQuat(random);
      const place = (v: Vec): Vec => {
        const out = new Float64Array(3);
        rotateXyz(out, 0, q, 0, ...v);
        return [out[0]!, out[1]!, out[2]!];
      };
      const root: Vec = [random() * 4 - 2, random() * 4 - 2, random() * 4 - 2];
      const upper = place([0, -0.45, 0.05 + random() * 0.1]);
      const lower = place([0, -0.4, -0.05 - random() * 0.1]);
      const a = Math.hypot(...upper);
      const b = Math.hypot(...lower);
      const c = Math.abs(a - b) + 0.01 + random() * (a + b - Math.abs(a - b) - 0.02);
      const toTarget = place([random() - 0.5, -1, random() - 0.5]);
      const k = c / Math.hypot(...toTarget);
      const target: Vec = [root[0] + toTarget[0] * k, root[1] + toTarget[1] * k, root[2] + toTarget[2] * k];
      const { middle, end } = solve(root, upper, lower, target, place([1, 0, 0]));
      expect(distance(end, target)).toBeLessThan(TIP_TOLERANCE);
      expect(distance(middle, root)).toBeCloseTo(a, 12);
      expect(distance(end, middle)).toBeCloseTo(b, 12);
    }
  });

  it('points straight at a target out of reach', () => {
    const { middle, end } = solve([0, 1, 0], [0, -0.5, 0.1], [0, -0.5, -0.1], [3, 1, 0]);
    expect(end[1]).toBeCloseTo(1, 6);
    expect(end[0]).toBeCloseTo(2 * Math.hypot(0.5, 0.1), 6);
    expect(middle[0]).toBeCloseTo(Math.hypot(0.5, 0.1), 6);
  });

  it('folds as far as it goes for a target at the root', () => {
    const { end } = solve([0, 0, 0], [0, -0.5, 0.1], [0, -0.3, -0.1], [0, -1e-9, 0]);
    expect(Math.hypot(...end)).toBeCloseTo(Math.hypot(0.5, 0.1) - Math.hypot(0.3, 0.1), 6);
  });

  it('bends a straight limb about its hinge, the knee forward', () => {
    // Hinge +X: the shin turns from -Y toward -Z, so the knee comes out at +Z.
    const { middle, end } = solve([0, 1, 0], [0, -0.5, 0], [0, -0.5, 0], [0, 0.2, 0], [1, 0, 0]);
    expect(end[1]).toBeCloseTo(0.2, 9);
    expect(middle[2]).toBeGreaterThan(0.2);
  });

  it('stays where it is when the end is at the target already', () => {
    const random = seeded(9);
    for (let i = 0; i < 100; i++) {
      // Bent by more than 12 degrees, about an axis up to 60 degrees from its hinge: the plane is the limb's own.
      const heading = (random() - 0.5) * 2;
      const bend = 0.25 + random() * 2;
      const lower: Vec = [
        0.4 * Math.sin(bend) * Math.sin(heading),
        -0.4 * Math.cos(bend),
        -0.4 * Math.sin(bend) * Math.cos(heading),
      ];
      const { end, middle } = solve([0, 0, 0], [0, -0.5, 0], lower, [lower[0], lower[1] - 0.5, lower[2]]);
      expect(distance(middle, [0, -0.5, 0])).toBeLessThan(1e-7);
      expect(distance(end, [lower[0], lower[1] - 0.5, lower[2]])).toBeLessThan(TIP_TOLERANCE);
    }
  });

  it('bends a knee that is locked back the right way when it has to give', () => {
    // 8 degrees against the hinge; the target is 3 % nearer.
    const lower: Vec = [0, -0.4 * Math.cos(0.14), 0.4 * Math.sin(0.14)];
    const { end, middle } = solve([0, 0, 0], [0, -0.5, 0], lower, [0, -0.87, 0]);
    expect(distance(end, [0, -0.87, 0])).toBeLessThan(TIP_TOLERANCE);
    expect(middle[2]).toBeGreaterThan(0.1);
  });

  it('aims a limb whose lower bone has no length', () => {
    const { end } = solve([0, 0, 0], [0, -0.5, 0], [0, 0, 0], [1, 0, 0]);
    expect(distance(end, [0.5, 0, 0])).toBeLessThan(TIP_TOLERANCE);
  });

  it('turns both bones by unit rotations', () => {
    const turns = new Float64Array(8);
    const limb = Float64Array.from([0, 0, 0, 0, -0.5, 0.02, 0, -1, 0]);
    solveTwoBone(
      limb,
      0,
      3,
      6,
      Float64Array.of(0.2, -0.7, 0.3),
      0,
      Float64Array.of(1, 0, 0),
      0,
      turns,
      createTwoBoneScratch(),
    );
    const square = new Float64Array(4);
    for (const at of [0, 4]) {
      const conjugate = Float64Array.of(-turns[at]!, -turns[at + 1]!, -turns[at + 2]!, turns[at + 3]!);
      mulQuat(square, 0, turns, at, conjugate, 0);
      expect(square[3]).toBeCloseTo(1, 12);
    }
  });
});
