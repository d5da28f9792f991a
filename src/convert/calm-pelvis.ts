/**
 * Hips that are broad for their legs. A turn of the pelvis that moves the performer's hip joints by a thumb's breadth swings
 * legs that hang further out by as much as they are long: a foot that stands then tears its knee straight, or is not
 * reached at all. So quick turns of the pelvis are taken back by as much as the hips are broader; legs and spine point where
 * they did.
 *
 * Tried, on hips two leg lengths apart: turns against a running mean of the pelvis, which say nothing where a body spins
 * (knees popped by 40 degrees in cmu_indian_long); the same, less the further it is from that mean (7.7 degrees in
 * cmu_salsa_spikes, where it was 6.0 with no turn taken back; now 4.6); turns above 0.25, 0.35 and 0.5 Hz: a foot
 * misses the performer's place by 0, 0 and 6 % of the leg in zup_zombie_walk (above 0.7 and 1 Hz, against the running mean, by
 * 15 and 19), 15 % with no turn taken back.
 */
import { hipBreadth } from '../contact/shift-limits.ts';
import type { Note } from '../errors.ts';
import { invertQuat, mulInverseQuat, mulQuat } from '../math/quat.ts';
import { lengthVec } from '../math/vec.ts';
import type { RetargetPlan } from '../retarget/plan.ts';
import { type Clip, clipWith } from '../skeleton/clip.ts';
import { childrenOf } from '../skeleton/skeleton.ts';
import { lowPass } from './filter/butterworth.ts';
import { jointRotations, rotationExp, rotationLog } from './filter/rotation-log.ts';

/**
 * Hips that are so many times as far apart, against the leg, as the performer's swing the legs too far. Chosen with the
 * clips in sight: 1.5 made a free leg pop at a fault of the capture, 2.5 left 5.2 degrees in cmu_salsa_spikes.
 */
const BROAD = 2;
/** Turns of the pelvis that are slower are those of the whole body, and stay; Hz. Steps come at one to two a second. */
const SLOW = 0.35;
/** No more than this is taken back, however far the pelvis turns: radians. */
const MOST = Math.PI / 2;

function swingsLegs({ source }: RetargetPlan, breadth: number): boolean {
  return source.body.roles.hips !== undefined && breadth > BROAD;
}

/** What is told where the pelvis is calmed; null where it is not. */
export function calmPelvisNote(plan: RetargetPlan): Note | null {
  const breadth = hipBreadth(plan);
  if (!swingsLegs(plan, breadth)) return null;
  return {
    code: 'PLANT_BROAD_HIPS',
    severity: 'info',
    message: `The hips are ${breadth.toFixed(1)} times as far apart, against the legs, as the performer's: quick turns of the pelvis are made ${(breadth / BROAD).toFixed(1)} times smaller, so that they do not swing the legs.`,
  };
}

/**
 * The performer's clip with a pelvis that swings the target's hip joints no further, against its legs, than `BROAD` times
 * what it swings the performer's; the clip itself where the hips are not so broad. Allocates its result.
 */
export function calmPelvis(plan: RetargetPlan, clip: Clip): Clip {
  const { skeleton, body } = plan.source;
  const breadth = hipBreadth(plan);
  if (!swingsLegs(plan, breadth)) return clip;
  const hips = body.roles.hips!;
  const { frameCount, jointCount, frameDuration } = clip;
  const own = jointRotations(clip, hips);
  const swings = quickTurns(own, 1 / frameDuration);
  const rotations = clip.rotations.slice();
  const children = childrenOf(skeleton, hips);
  const back = new Float64Array(3);
  const calm = new Float64Array(4);
  const undo = new Float64Array(4);
  const local = new Float64Array(4);
  for (let f = 0; f < frameCount; f++) {
    const angle = lengthVec(swings, f * 3);
    const taken = angle > 0 ? ((1 - BROAD / breadth) * MOST * Math.tanh(angle / MOST)) / angle : 0;
    for (let k = 0; k < 3; k++) back[k] = -taken * swings[f * 3 + k]!;
    rotationExp(calm, back);
    mulQuat(calm, 0, calm, 0, own, f * 4);
    mulInverseQuat(undo, 0, calm, 0, own, f * 4);
    const row = f * jointCount * 4;
    rotations.set(calm, row + hips * 4);
    for (const child of children) {
      local.set(rotations.subarray(row + child * 4, row + child * 4 + 4));
      mulQuat(local, 0, undo, 0, local, 0);
      rotations.set(local, row + child * 4);
    }
  }
  return clipWith(clip, { rotations });
}

/**
 * What of a rotation is faster than `SLOW`: rotation vectors in the frame of the joint's parent, frames × 3. Turns are summed
 * from frame to frame before they are filtered, so that a body may spin as often as it likes.
 * @param rotations  xyzw, frames × 4
 */
function quickTurns(rotations: Float64Array, fps: number): Float64Array {
  const count = rotations.length / 4;
  const out = new Float64Array(count * 3);
  const between = new Float64Array(4);
  const step = new Float64Array(3);
  for (let f = 1; f < count; f++) {
    invertQuat(between, 0, rotations, f * 4 - 4);
    mulQuat(between, 0, rotations, f * 4, between, 0);
    rotationLog(step, between);
    for (let k = 0; k < 3; k++) out[f * 3 + k] = out[f * 3 - 3 + k]! + step[k]!;
  }
  const slow = new Float64Array(count);
  for (let k = 0; k < 3; k++) {
    for (let f = 0; f < count; f++) slow[f] = out[f * 3 + k]!;
    lowPass(slow, SLOW, fps);
    for (let f = 0; f < count; f++) out[f * 3 + k]! -= slow[f]!;
  }
  return out;
}
