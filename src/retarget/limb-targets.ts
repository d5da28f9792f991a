/**
 * Where limb ends have to be, a frame; the retargeter reads it, contact fills it. All of it is in world space and metres.
 * A weight of 0 leaves a limb as it is, 1 puts its end effector (ankle or wrist joint) exactly there if it can reach.
 */
export interface LimbTargets {
  readonly frameCount: number;
  /** frameCount × 4 limbs × 3. */
  readonly positions: Float64Array;
  /** frameCount × 4. */
  readonly positionWeights: Float64Array;
  /** Up to this share of its length a limb is stretched as the target asks, before its reach is softened; frameCount × 4. */
  readonly reaches: Float64Array;
  /** Where knee or elbow should be: the bent limb turns about the line from its root to its end; frameCount × 4 × 3. */
  readonly middles: Float64Array;
  /** frameCount × 4. */
  readonly middleWeights: Float64Array;
  /** World rotation of the end effector joint, xyzw, frameCount × 4 limbs × 4. */
  readonly rotations: Float64Array;
  /** frameCount × 4. */
  readonly rotationWeights: Float64Array;
  /** World rotation of the toes joint for the two legs, frameCount × 2 × 4, and its weight, frameCount × 2. */
  readonly toeRotations: Float64Array;
  readonly toeWeights: Float64Array;
  /** Added to the pelvis before the limbs are solved, frameCount × 3. */
  readonly rootShifts: Float64Array;
}

/** All weights and shifts zero. */
export function createLimbTargets(frameCount: number): LimbTargets {
  return {
    frameCount,
    positions: new Float64Array(frameCount * 12),
    positionWeights: new Float64Array(frameCount * 4),
    reaches: new Float64Array(frameCount * 4),
    middles: new Float64Array(frameCount * 12),
    middleWeights: new Float64Array(frameCount * 4),
    rotations: new Float64Array(frameCount * 16),
    rotationWeights: new Float64Array(frameCount * 4),
    toeRotations: new Float64Array(frameCount * 8),
    toeWeights: new Float64Array(frameCount * 2),
    rootShifts: new Float64Array(frameCount * 3),
  };
}
