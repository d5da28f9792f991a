/** Where faults of a capture turn its body, or a leg, as a whole. */
import { type Role, sidedRole } from '../pairing/roles.ts';
import { oncePer, oncePerKey } from '../skeleton/once-per.ts';
import type { Side } from '../skeleton/side.ts';
import { MEASURE_RULES } from './thresholds.ts';
import type { Track } from './track.ts';
import { usualRotation } from './usual-jumps.ts';

/**
 * Hips that speed up or slow down their turn by more than this are no person's but a fault of the capture: degrees a second
 * squared. No published source; the kicks, jumps and dances of the shared clips stay below 29,000.
 */
const FAULT = 30_000;

/**
 * Where a fault turns the source's hips, its whole body is turned: jumps in degrees, 0 elsewhere. A limb that the floor holds
 * takes up in its joints what the body turns, and what is farther from the hips than the source's goes a longer way,
 * although no joint of the source bends.
 */
const wholeBodyTurns = oncePer((source: Track): Float64Array | null => {
  const hips = usualRotation(source, 'hips');
  const limit = Math.min(MEASURE_RULES.pops.threshold, (FAULT * source.frameDuration ** 2) / 2);
  if (hips === null || hips.most <= limit) return null;
  return hips.around.map((jump) => (jump > limit ? jump : 0));
});

/**
 * The same for a thigh against the hips: no published source either; in the quickest kicks, steps and dances of the shared clips
 * thighs stay below 75,000, and faults that turn a leg round go beyond 340,000.
 */
const LEG_FAULT = 150_000;

/**
 * Where a fault turns a leg of the source as a whole, degrees: hip, knee and ankle of another body take up what of it they and
 * the floor do not let them follow. Null where that never happens.
 */
export const wholeLegTurns = oncePerKey((source: Track, side: Side): Float64Array | null => {
  const thigh = usualRotation(source, sidedRole(side, 'UpperLeg'));
  const limit = (LEG_FAULT * source.frameDuration ** 2) / 2;
  if (thigh === null || thigh.most <= limit) return null;
  return thigh.around.map((jump) => (jump > limit ? jump : 0));
});

/** What faults turn with a joint, degrees; null where nothing is. */
export const faultTurns = oncePerKey((source: Track, role: Role): Float64Array | null => {
  const body = wholeBodyTurns(source);
  const leg = /LowerLeg|Foot|Toes/.test(role)
    ? wholeLegTurns(source, role.startsWith('left') ? 'left' : 'right')
    : null;
  return body && leg ? body.map((turn, f) => Math.max(turn, leg[f]!)) : (body ?? leg);
});
