/** How abruptly a source's joints move: what a target's may do as well. */
import { type Role, sidedRole } from '../pairing/roles.ts';
import { oncePerKey } from '../skeleton/once-per.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { jointAbove } from './build.ts';
import { addTimes, positionJumpsOf, turnJumpsOf, windowMax } from './second-differences.ts';
import { jointPath, jointTurns, type Track } from './track.ts';

/** Frames before and after in which the source may do it as well. */
const WINDOW = 3;
/** Joints among which rigs share out one bend: what the source does in all of them, the target may do in one. */
const SHARED_BENDS: readonly (readonly Role[])[] = [
  ['spine', 'chest', 'upperChest'],
  ['neck', 'head'],
  ...SIDES.flatMap((side): Role[][] => [
    [`${side}Shoulder`, `${side}UpperArm`],
    [`${side}LowerArm`, `${side}Hand`],
    [`${side}Foot`, `${side}Toes`],
  ]),
];

/** Jumps of a joint's rotation against the joint above, in degrees, into `jumps`. See `turnJumpsOf`. False without the joint. */
export function rotationJumps(
  jumps: Float64Array,
  track: Track,
  role: Role,
  usual?: Float64Array,
  factor?: number,
): boolean {
  const { roles } = track.figure;
  const joint = roles[role];
  if (joint === undefined) return false;
  const parent = jointAbove(roles, role);
  turnJumpsOf(jointTurns(track, joint), parent === null ? null : jointTurns(track, parent), jumps, usual, factor);
  return true;
}

/** The same of a joint's position seen from the hips, as a share of leg length; see `positionJumpsOf`. */
export function positionJumps(jumps: Float64Array, track: Track, role: Role): boolean {
  return positionJumpsFrom(jumps, track, role, 'hips');
}

function positionJumpsFrom(jumps: Float64Array, track: Track, role: Role, from: Role): boolean {
  const joint = track.figure.roles[role];
  const origin = track.figure.roles[from];
  if (joint === undefined || origin === undefined || joint === origin || !track.legLength) return false;
  positionJumpsOf(jointPath(track, joint), jointPath(track, origin), track.legLength, jumps);
  return true;
}

/** What a joint of the source usually does around each frame, and the most it ever does. */
export interface Usual {
  around: Float64Array;
  most: number;
}

function usualOf(jumps: Float64Array): Usual {
  let most = 0;
  for (let f = 0; f < jumps.length; f++) if (jumps[f]! > most) most = jumps[f]!;
  return { around: windowMax(jumps, -WINDOW, WINDOW), most };
}

/** What the source does in a joint and in those that share its bend; null where it has none of them. */
export const usualRotation = oncePerKey((source: Track, role: Role): Usual | null => {
  const roles = SHARED_BENDS.find((group) => group.includes(role)) ?? [role];
  const sum = new Float64Array(source.frameCount);
  const series = new Float64Array(source.frameCount);
  let found = false;
  for (const one of roles) {
    if (!rotationJumps(series, source, one)) continue;
    addTimes(sum, series, 1);
    found = true;
  }
  return found ? usualOf(sum) : null;
});

export const usualPosition = oncePerKey((source: Track, role: Role): Usual | null => usualFrom(source, role, 'hips'));

/** Toes seen from the ankle. */
export const usualToes = oncePerKey((source: Track, side: Side): Usual | null =>
  usualFrom(source, sidedRole(side, 'Toes'), sidedRole(side, 'Foot')),
);

function usualFrom(source: Track, role: Role, from: Role): Usual | null {
  const series = new Float64Array(source.frameCount);
  return positionJumpsFrom(series, source, role, from) ? usualOf(series) : null;
}

/** What the source's joint does against the world. */
export const usualSwing = oncePerKey(
  (source: Track, role: Role): Usual => usualOf(turnJumpsOf(jointTurns(source, source.figure.roles[role]!), null)),
);
