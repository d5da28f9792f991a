import type { Note } from '../errors.ts';

/** How a figure's joints are turned when it stands in the canonical posture (the T-pose of the VRM 1.0 standard). */
export interface Alignment {
  /**
   * World rotation of each joint in the canonical posture, xyzw, jointCount × 4. A joint without a role takes the
   * rest rotation relative to the nearest joint above it that has one.
   */
  posture: Float64Array;
  /** Upper and lower segment lengths of each limb (order of LIMBS), metres, 4 × 2; zero where a limb is missing. */
  limbLengths: Float64Array;
  /** Height of each ankle joint above its sole in the canonical posture, metres: left, right. */
  ankleHeights: Float64Array;
  /** Bend axis of each limb's middle joint (knee, elbow) in that joint's frame, unit, 4 × 3: flexion is positive. */
  hinges: Float64Array;
  notes: Note[];
}
