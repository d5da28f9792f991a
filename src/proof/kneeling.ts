import type { Side } from '../skeleton/side.ts';
import type { Evidence } from './evidence.ts';
import { pathOf } from './track.ts';

/** A knee of the source is on the floor where its joint is this low (leg lengths) and slower than this (leg lengths a second). */
const KNEE_HEIGHT = 0.12;
const KNEE_SPEED = 0.4;
/** Getting down and up takes so long before and after. Seconds. */
const KNEEL_RAMP = 0.5;

/**
 * Frames in which a knee of the source rests on the floor, or soon will, or just did: the foot behind it does not swing,
 * and the line from hip to ankle follows from the lengths of thigh and shin. Null where there are none.
 */
export function kneelingOrNear({ source, target, sharedFrames }: Evidence, side: Side): Uint8Array | null {
  const leg = source?.limbs[`${side}Leg`];
  if (!source || !leg || sharedFrames < 2) return null;
  const knee = pathOf(source, leg.middle);
  const { frameDuration } = target;
  const ramp = Math.round(KNEEL_RAMP / frameDuration);
  const flags = new Uint8Array(target.frameCount);
  let any = false;
  for (let f = 0; f < sharedFrames; f++) {
    const a = Math.max(0, f - 1) * 3;
    const b = Math.min(sharedFrames - 1, f + 1) * 3;
    const moved = Math.hypot(knee[b]! - knee[a]!, knee[b + 1]! - knee[a + 1]!, knee[b + 2]! - knee[a + 2]!);
    const speed = moved / (((b - a) / 3) * frameDuration * source.legLength);
    if (knee[f * 3 + 1]! > KNEE_HEIGHT * source.legLength || speed > KNEE_SPEED) continue;
    flags.fill(1, Math.max(0, f - ramp), f + ramp + 1);
    any = true;
  }
  return any ? flags : null;
}
