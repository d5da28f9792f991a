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
  .map(([x, y, z]) => new Quaternion().setFromEuler(new Euler(x, y, z)).toArray());
const component = fc.double({ min: -10, max: 10, noNaN: true });
const vector = fc.tuple(component, component, component).filter((v) => Math.hypot(...v) > 1e-3);

describe('quaternion kernels agree with three', () => {
  it('multiplies', () => {
    fc.assert(
      fc.property(quaternion, quaternion, (a, b) => {
        const out = [0, 0, 0, 0];
        mulQuat(out, 0, a, 0, b, 0);
        const expected = new Quaternion(...a).multiply(new Quaternion(...b));
        expect(angleBetweenQuats(out, 0, expected.toArray(), 0)).toBeLessThan(ROUNDING);
      }),
    );
  });

  it('multiplies by an inverse, also in place', () => {
    fc.assert(
      fc.property(quaternion, quaternion, (a, b) => {
        const expected = new Quaternion(...a)
          .invert()
          .multiply(new Quaternion(...b))
          .toArray();
        const inPlace = [...b];
        mulInverseQuat(inPlace, 0, a, 0, inPlace, 0);
        expect(angleBetweenQuats(inPlace, 0, expected, 0)).toBeLessThan(ROUNDING);
      }),
    );
  });

  it('rotates vectors there and back', () => {
    fc.assert(
      fc.property(quaternion, vector, (q, v) => {
        const out = [0, 0, 0];
        rotateVec(out, 0, q, 0, v, 0);
        const expected = new Vector3(...v).applyQuaternion(new Quaternion(...q)).toArray();
        expect(distanceVec(out, 0, expected, 0)).toBeLessThan(1e-10);
        rotateVecInverse(out, 0, q, 0, out, 0);
        expect(distanceVec(out, 0, v, 0)).toBeLessThan(1e-10);
      }),
    );
  });

  it('interpolates along the shorter arc', () => {
    fc.assert(
      fc.property(quaternion, quaternion, fc.double({ min: 0, max: 1, noNaN: true }), (a, b, t) => {
        const out = [0, 0, 0, 0];
        slerpQuat(out, 0, a, 0, b, 0, t);
        const expected = new Quaternion(...a).slerp(new Quaternion(...b), t).toArray();
        // three switches to a chord below its own bound; both stay within this of the arc.
        expect(angleBetweenQuats(out, 0, expected, 0)).toBeLessThan(1e-6);
      }),
    );
  });

  it('reads a quaternion off a rotation matrix in each of the four cases', () => {
    fc.assert(
      fc.property(quaternion, (q) => {
        const m = new Matrix4().makeRotationFromQuaternion(new Quaternion(...q)).elements;
        const out = [0, 0, 0, 0];
        quatFromMatrix(out, 0, m[0], m[1], m[2], m[4], m[5], m[6], m[8], m[9], m[10]);
        expect(angleBetweenQuats(out, 0, q, 0)).toBeLessThan(1e-7);
      }),
      { examples: [[[1, 0, 0, 0]], [[0, 1, 0, 0]], [[0, 0, 1, 0]], [[0, 0, 0, 1]]] },
    );
  });
});

describe('rotationBetween', () => {
  it('carries one direction onto the other', () => {
    fc.assert(
      fc.property(vector, vector, (a, b) => {
        const q = [0, 0, 0, 0];
        const out = [0, 0, 0];
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
    const q = [0, 0, 0, 0];
    const out = [0, 0, 0];
    rotationBetween(q, 0, [x, y, z], 0, [-2 * x, -2 * y, -2 * z], 0);
    rotateVec(out, 0, q, 0, [x, y, z], 0);
    expect(distanceVec(out, 0, [-x, -y, -z], 0)).toBeLessThan(ROUNDING);
    expect(Math.hypot(...q)).toBeCloseTo(1, 12);
  });

  it('is the identity when either vector is zero', () => {
    const q = [9, 9, 9, 9];
    rotationBetween(q, 0, [0, 0, 0], 0, [1, 2, 3], 0);
    expect(q).toEqual([0, 0, 0, 1]);
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
          const swing = [0, 0, 0, 0];
          const spin = [0, 0, 0, 0];
          const q = [0, 0, 0, 0];
          const out = [0, 0, 0, 0];
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
    const out = [9, 9, 9, 9];
    expect(twistOf(out, 0, [1, 0, 0, 0], 0, 0, 0, 1)).toBe(0);
    expect(out).toEqual([0, 0, 0, 1]);
  });
});

describe('quatFromAxes', () => {
  it('puts y along the first direction and z as near as possible to the second', () => {
    fc.assert(
      fc.property(vector, vector, (a, b) => {
        const q = [0, 0, 0, 0];
        quatFromAxes(q, 0, a, 0, b, 0);
        const y = new Vector3(0, 1, 0).applyQuaternion(new Quaternion(...(q as [number, number, number, number])));
        const x = new Vector3(1, 0, 0).applyQuaternion(new Quaternion(...(q as [number, number, number, number])));
        expect(y.angleTo(new Vector3(...a))).toBeLessThan(1e-6);
        expect(Math.abs(x.dot(new Vector3(...b))) / Math.hypot(...b)).toBeLessThan(1e-6);
      }),
    );
  });

  it('takes any square z when both directions are parallel', () => {
    const q = [0, 0, 0, 0];
    quatFromAxes(q, 0, [0, 2, 0], 0, [0, -3, 0], 0);
    expect(Math.hypot(...q)).toBeCloseTo(1, 12);
    const y = [0, 1, 0];
    rotateVec(y, 0, q, 0, y, 0);
    expect(distanceVec(y, 0, [0, 1, 0], 0)).toBeLessThan(ROUNDING);
  });
});
