/** A seat that rests on the floor: the pelvis is as high as the skin below it asks for. */
import type { RetargetPlan } from '../retarget/plan.ts';
import { createRetargeter, createTargetClip } from '../retarget/retargeter.ts';
import { type Clip, framePose, restLocalPose } from '../skeleton/clip.ts';
import { createWorldPose } from '../skeleton/skeleton.ts';
import type { SkinMesh } from '../skeleton/skin.ts';
import type { Timing } from './foot-turns.ts';
import { type FrameSpan, fadeOutside, weightNear } from './hold.ts';
import type { LegTrack } from './leg-track.ts';
import { seatThickness } from './low-skin.ts';
import type { HeldHeight } from './shift-problem.ts';

/** Where in a rest the skin is measured, as shares of it: the thighs may move while one sits. */
const SAMPLES = [0.2, 0.5, 0.8];

/** By how much the pelvis has to be moved up or down in each frame, and how surely; null where nobody sits on the floor. */
export function seatHeight(
  plan: RetargetPlan,
  clip: Clip,
  legs: readonly LegTrack[],
  spans: readonly FrameSpan[],
  skins: readonly SkinMesh[],
  timing: Timing,
): HeldHeight | null {
  if (spans.length === 0 || legs.length === 0) return null;
  const { frameCount } = clip;
  const { skeleton } = plan.target;
  const retargeter = createRetargeter(plan);
  const single = createTargetClip(plan, clip.name, 1, clip.frameDuration);
  const pose = createWorldPose(skeleton.jointCount);
  const local = restLocalPose(skeleton);
  const shifts = new Float64Array(frameCount * 3);
  for (const { first, last } of spans) {
    let thickness = 0;
    for (const share of SAMPLES) {
      retargeter.frame(clip, Math.round(first + share * (last - first)), single, 0);
      framePose(skeleton, single, 0, local, pose);
      thickness += seatThickness(plan.target, skins, pose) / SAMPLES.length;
    }
    for (let f = first; f <= last; f++) {
      let middle = 0;
      for (const { hips } of legs) middle += hips[f * 3 + 1]! / legs.length;
      shifts[f * 3 + 1] = thickness - middle;
    }
  }
  fadeOutside(shifts, spans, frameCount, timing.ramp, timing.edge);
  const held = new Float64Array(frameCount);
  weightNear(held, spans, timing.ramp);
  return { shifts: Float64Array.from(held, (_, f) => shifts[f * 3 + 1]!), held };
}
