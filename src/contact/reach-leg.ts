/** What the shift of the pelvis has to know of one leg. */
export interface ReachLeg {
  /** Hip joint (root of the leg) before any shift, frames × 3, metres. */
  hips: Float64Array;
  /** Where the ankle has to be, frames × 3. */
  goals: Float64Array;
  /** How far the ankle is moved from where the plain retarget has it, frames × 3. */
  offsets: Float64Array;
  /** Distance from hip to ankle as the performer has it, and the farthest reach of the leg, a frame, metres. */
  extensions: Float64Array;
  reaches: Float64Array;
  /** The nearest that the ankle may come to the hip, a frame, metres: knees do not fold further than they can. */
  nearest: Float64Array;
  /** 1 where the foot stands, 0 where it swings freely, a frame: how far its goal has to be met. */
  held: Float64Array;
  /** Length of the leg, metres. */
  length: number;
}
