import fc from 'fast-check';
import { Euler, Matrix4, Quaternion, Vector3 } from 'three';
import { describe, expect, it } from 'vitest';
import {
  angleBetweenQuats,
  axisAngleQuat,
  mulInverseQuat,
  mulQuat,
  quatFromAxes,
  quatFromMatrix,
  rotateVec,
  rotateVecInverse,
  rotateXyz,
  rotationBetween,
  slerpQuat,
  twistOf,
} from '../../src/math/quat.ts';
import { distanceVec } from '../../src/math/vec.ts';

/** Float64 rounding of a few products of unit numbers. */
const ROUNDING = 1e-12;

const angle = fc.double({ min: -Math.PI, max: Math.PI, noNaN: true });
const quaternion = fc
  .tuple(angle, angle, angle)
  .map(([x, y, z]) => Float64Array.from(new Quaternion().setFromEuler(new Euler(x, y, z)).toArray()));
const component = fc.double({ min: -10, max: 10, noNaN: true });
const vector = fc
  .tuple(component, component, component)
  .filter((v) => Math.hypot(...v) > 1e-3)
  .map((v) => Float64Array.from(v));

const threeQuat = (q: Float64Array): Quaternion => new Quaternion().fromArray(q);
const threeVec = (v: Float64Array): Vector3 => new Vector3().fromArray(v);

describe('quaternion kernels agree with three', () => {
  it('multiplies', () => {
    fc.assert(
      fc.property(quaternion, quaternion, (a, b) => {
        const out = new Float64Array(4);
        mulQuat(out, 0, a, 0, b, 0);
        const expected = threeQuat(a).multiply(threeQuat(b));
        expect(angleBetweenQuats(out, 0, expected.toArray(), 0)).toBeLessThan(ROUNDING);
      }),
    );
  });

  it('multiplies by an inverse, also in place', () => {
    fc.assert(
      fc.property(quaternion, quaternion, (a, b) => {
        const expected = threeQuat(a).invert().multiply(threeQuat(b)).toArray();
        const inPlace = b.slice();
        mulInverseQuat(inPlace, 0, a, 0, inPlace, 0);
        expect(angleBetweenQuats(inPlace, 0, expected, 0)).toBeLessThan(ROUNDING);
      }),
    );
  });

  it('rotates vectors there and back', () => {
    fc.assert(
      fc.property(quaternion, vector, (q, v) => {
        const out = new Float64Array(3);
        rotateVec(out, 0, q, 0, v, 0);
        const expected = threeVec(v).applyQuaternion(threeQuat(q)).toArray();
        expect(distanceVec(out, 0, Float64Array.from(expected), 0)).toBeLessThan(1e-10);
        const fromNumbers = new Float64Array(3);
        rotateXyz(fromNumbers, 0, q, 0, v[0]!, v[1]!, v[2]!);
        expect(fromNumbers).toEqual(out);
        rotateVecInverse(out, 0, q, 0, out, 0);
        expect(distanceVec(out, 0, v, 0)).toBeLessThan(1e-10);
      }),
    );
  });

  it('interpolates along the shorter arc', () => {
    fc.assert(
      fc.property(quaternion, quaternion, fc.double({ min: 0, max: 1, noNaN: true }), (a, b, t) => {
        const out = new Float64Array(4);
        slerpQuat(out, 0, a, 0, b, 0, t);
        const expected = threeQuat(a).slerp(threeQuat(b), t).toArray();
        // three switches to a chord below its own bound; both stay within this of the arc.
        expect(angleBetweenQuats(out, 0, expected, 0)).toBeLessThan(1e-6);
      }),
    );
  });

  it('reads a quaternion off a rotation matrix in each of the four cases', () => {
    fc.assert(
      fc.property(quaternion, (q) => {
        const m = new Matrix4().makeRotationFromQuaternion(threeQuat(q)).elements;
        const out = new Float64Array(4);
        quatFromMatrix(out, 0, m[0], m[1], m[2], m[4], m[5], m[6], m[8], m[9], m[10]);
        expect(angleBetweenQuats(out, 0, q, 0)).toBeLessThan(1e-7);
      }),
      { examples: [0, 1, 2, 3].map((axis) => [Float64Array.from([0, 1, 2, 3], (k) => (k === axis ? 1 : 0))]) },
    );
  });
});

describe('rotationBetween', () => {
  it('carries one direction onto the other', () => {
    fc.assert(
      fc.property(vector, vector, (a, b) => {
        const q = new Float64Array(4);
        const out = new Float64Array(3);
        rotationBetween(q, 0, a, 0, b, 0);
        rotateVec(out, 0, q, 0, a, 0);
        const k = Math.hypot(...b) / Math.hypot(...a);
        expect(
          distanceVec(
            out.map((x) => x * k),
            0,
            b,
            0,
          ),
        ).toBeLessThan(1e-6);
      }),
    );
  });

  it.each([
    [1, 0, 0],
    [0, 1, 0],
    [0, 0, 1],
    [0.6, -0.48, 0.64],
  ])('makes a half turn of opposite vectors (%s, %s, %s)', (x, y, z) => {
    const q = new Float64Array(4);
    const out = new Float64Array(3);
    const a = Float64Array.of(x, y, z);
    rotationBetween(q, 0, a, 0, Float64Array.of(-2 * x, -2 * y, -2 * z), 0);
    rotateVec(out, 0, q, 0, a, 0);
    expect(distanceVec(out, 0, Float64Array.of(-x, -y, -z), 0)).toBeLessThan(ROUNDING);
    expect(Math.hypot(...q)).toBeCloseTo(1, 12);
  });

  it.each([1e-4, 1e-6, 1e-7, 1e-8])('carries a direction onto one that is %s rad short of opposite', (short) => {
    const q = new Float64Array(4);
    const out = new Float64Array(3);
    const b = Float64Array.of(-Math.cos(short), Math.sin(short), 0);
    rotationBetween(q, 0, Float64Array.of(1, 0, 0), 0, b, 0);
    rotateVec(out, 0, q, 0, Float64Array.of(1, 0, 0), 0);
    // Within 5e-8 rad of opposite it is taken for opposite; beyond, rounding leaves less than that.
    expect(distanceVec(out, 0, b, 0)).toBeLessThan(5e-8);
  });

  it('is the identity when either vector is zero', () => {
    const q = Float64Array.of(9, 9, 9, 9);
    rotationBetween(q, 0, new Float64Array(3), 0, Float64Array.of(1, 2, 3), 0);
    expect([...q]).toEqual([0, 0, 0, 1]);
  });
});

describe('twistOf', () => {
  it('gives the angle about the axis and leaves a swing without any (Dobrowolski 2015, arXiv:1506.05481)', () => {
    fc.assert(
      fc.property(
        fc.double({ min: -3, max: 3, noNaN: true }),
        fc.double({ min: -3, max: 3, noNaN: true }),
        angle,
        (twist, bend, heading) => {
          const swing = new Float64Array(4);
          const spin = new Float64Array(4);
          const q = new Float64Array(4);
          const out = new Float64Array(4);
          // A swing turns about an axis square to the twist axis, here z.
          axisAngleQuat(swing, 0, Math.cos(heading), Math.sin(heading), 0, bend);
          axisAngleQuat(spin, 0, 0, 0, 1, twist);
          mulQuat(q, 0, swing, 0, spin, 0);
          expect(twistOf(out, 0, q, 0, 0, 0, 1)).toBeCloseTo(twist, 9);
          expect(angleBetweenQuats(out, 0, spin, 0)).toBeLessThan(1e-9);
        },
      ),
    );
  });

  it('says 0 for a half turn square to the axis, where no twist is defined', () => {
    const out = Float64Array.of(9, 9, 9, 9);
    expect(twistOf(out, 0, Float64Array.of(1, 0, 0, 0), 0, 0, 0, 1)).toBe(0);
    expect([...out]).toEqual([0, 0, 0, 1]);
  });
});

describe('quatFromAxes', () => {
  it('puts y along the first direction and z as near as possible to the second', () => {
    fc.assert(
      fc.property(vector, vector, (a, b) => {
        const q = new Float64Array(4);
        quatFromAxes(q, 0, a, 0, b, 0);
        const y = new Vector3(0, 1, 0).applyQuaternion(threeQuat(q));
        const x = new Vector3(1, 0, 0).applyQuaternion(threeQuat(q));
        expect(y.angleTo(threeVec(a))).toBeLessThan(1e-6);
        expect(Math.abs(x.dot(threeVec(b))) / Math.hypot(...b)).toBeLessThan(1e-6);
      }),
    );
  });

  it('takes any square z when both directions are parallel', () => {
    const q = new Float64Array(4);
    quatFromAxes(q, 0, Float64Array.of(0, 2, 0), 0, Float64Array.of(0, -3, 0), 0);
    expect(Math.hypot(...q)).toBeCloseTo(1, 12);
    const y = Float64Array.of(0, 1, 0);
    rotateVec(y, 0, q, 0, y, 0);
    expect(distanceVec(y, 0, Float64Array.of(0, 1, 0), 0)).toBeLessThan(ROUNDING);
  });
});
