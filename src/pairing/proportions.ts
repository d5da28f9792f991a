/**
 * Segment lengths as shares of standing height: Drillis & Contini 1966, as printed in Winter, Biomechanics and Motor
 * Control of Human Movement, figure 4.1 (values from memory). Cartoon figures differ by a factor of two and
 * more, so every comparison is a wide one on the logarithm of a ratio.
 */
export const SHARE_OF_HEIGHT = {
  upperArm: 0.186,
  lowerArm: 0.146,
  hand: 0.108,
  thigh: 0.245,
  shin: 0.246,
  foot: 0.152,
  ankleHeight: 0.039,
  hipHeight: 0.53,
  shoulderHeight: 0.818,
  chinHeight: 0.87,
  shoulderHalfBreadth: 0.129,
  hipHalfBreadth: 0.0955,
} as const;

export const ARM_SHARE = SHARE_OF_HEIGHT.upperArm + SHARE_OF_HEIGHT.lowerArm;
export const LEG_SHARE = SHARE_OF_HEIGHT.thigh + SHARE_OF_HEIGHT.shin;
export const TRUNK_SHARE = SHARE_OF_HEIGHT.shoulderHeight - SHARE_OF_HEIGHT.hipHeight;

/** No single length speaks more strongly than a three-sigma miss. */
const FLOOR = -4.5;

/**
 * Log likelihood of a length, 0 at the expected one: a normal distribution on the logarithm of measured / expected.
 * @param sigma  spread of that logarithm
 */
export function lengthEvidence(measured: number, expected: number, sigma: number): number {
  if (!(measured > 0) || !(expected > 0)) return FLOOR;
  return Math.max(FLOOR, 0 - 0.5 * (Math.log(measured / expected) / sigma) ** 2);
}
