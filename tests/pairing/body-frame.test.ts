import { describe, expect, it } from 'vitest';
import { findUnit } from '../../src/pairing/body-frame.ts';
import { lengthEvidence, SHARE_OF_HEIGHT } from '../../src/pairing/proportions.ts';
import { readBody } from '../../src/pairing/read-body.ts';
import { biped } from '../support/biped.ts';
import { turnSkeleton } from '../support/skeleton-variants.ts';

describe('findUnit', () => {
  // The international inch is 0.0254 m and the foot 0.3048 m (exact by definition, 1959).
  it.each([
    ['metres', 1],
    ['centimetres', 0.01],
    ['millimetres', 0.001],
    ['inches', 0.0254],
    ['feet', 0.3048],
    ['inches divided by 0.45', 0.0254 / 0.45],
  ])('reads %s from the height of people between 1.45 and 1.95 m', (name, metres) => {
    for (const height of [1.45, 1.6, 1.75, 1.95]) {
      const reading = findUnit(height / metres, height / metres);
      expect(reading.metresPerUnit).toBe(metres);
      expect(reading.evidence).toContain(name);
    }
  });

  it('is in doubt where no usual unit gives a person, and makes one of them', () => {
    const { metresPerUnit, isUnsure } = findUnit(45.4, 45.4);
    expect(isUnsure).toBe(true);
    expect(metresPerUnit * 45.4).toBeGreaterThan(1.2);
    expect(metresPerUnit * 45.4).toBeLessThan(2.2);
  });
});

describe('the frame of a body', () => {
  it('keeps declared metres and says what height they give', () => {
    const { frame } = readBody({ skeleton: turnSkeleton(biped(), [0, 1, 0], 0, 3.3), declaredMetres: true });
    expect(frame.metresPerUnit).toBe(1);
    expect(frame.evidence.metresPerUnit).toMatch(/5\.\d+ m tall, which no person is/);
  });

  it.each([
    ['Z up, facing -Y', [1, 0, 0] as const, 90, [0, 0, 1], [0, -1, 0]],
    ['facing +X', [0, 1, 0] as const, 90, [0, 1, 0], [1, 0, 0]],
    ['facing -Z', [0, 1, 0] as const, 180, [0, 1, 0], [0, 0, -1]],
  ])('is measured: %s', (_, axis, degrees, up, facing) => {
    const { frame } = readBody({ skeleton: turnSkeleton(biped({ armsDown: 40 }), axis, degrees, 100) });
    for (let k = 0; k < 3; k++) {
      expect(frame.up[k]).toBeCloseTo(up[k]!, 6);
      expect(frame.facing[k]).toBeCloseTo(facing[k]!, 6);
    }
    expect(frame.metresPerUnit).toBe(0.01);
    expect(frame.unsure).toEqual([]);
  });

  it('keeps a facing that lies along no axis', () => {
    const { frame } = readBody({ skeleton: turnSkeleton(biped(), [0, 1, 0], 30, 1) });
    expect(frame.facing[0]).toBeCloseTo(0.5, 2);
    expect(frame.facing[2]).toBeCloseTo(Math.sqrt(0.75), 2);
  });
});

describe('published proportions', () => {
  // Winter, Biomechanics and Motor Control of Human Movement, figure 4.1 (values from memory): heights of hip, knee and
  // ankle and the lengths between them have to agree.
  it('add up: thigh + shin + ankle height is the hip height', () => {
    const { thigh, shin, ankleHeight, hipHeight } = SHARE_OF_HEIGHT;
    expect(thigh + shin + ankleHeight).toBeCloseTo(hipHeight, 3);
  });

  it('are judged on the logarithm, alike for twice and half, and never more than three sigma', () => {
    expect(lengthEvidence(1, 1, 0.4)).toBe(0);
    expect(lengthEvidence(2, 1, 0.4)).toBeCloseTo(lengthEvidence(0.5, 1, 0.4), 12);
    expect(lengthEvidence(1e6, 1, 0.4)).toBe(-4.5);
    expect(lengthEvidence(0, 1, 0.4)).toBe(-4.5);
  });
});
