import { SIDES } from '../skeleton/side.ts';
import type { HelperJoint } from './body.ts';
import type { Figure } from './figure.ts';
import type { Interpretation } from './interpretation.ts';
import type { NameReading } from './names.ts';
import { distance, dot, minus, norm, type Point, squareTo, times, unit } from './point.ts';
import type { Role, RoleMap } from './roles.ts';

/** Bones that twist joints share: the role that twists, and the role whose joint ends the bone. */
const TWIST_BONES = SIDES.flatMap((side) => [
  { of: `${side}UpperArm`, end: `${side}LowerArm` },
  { of: `${side}LowerArm`, end: `${side}Hand` },
  { of: `${side}UpperLeg`, end: `${side}LowerLeg` },
  { of: `${side}LowerLeg`, end: `${side}Foot` },
]) as readonly { of: Role; end: Role }[];

/** A twist joint lies within this share of the bone's length of the bone. */
const TWIST_ASIDE = 0.08;

/** Names what the joints without a role are: twist joints, pole targets, controls, slots and the rest. */
export function findHelpers(
  figure: Figure,
  names: readonly NameReading[],
  body: Interpretation,
  roles: RoleMap,
  trunk: readonly number[],
  forward: Point,
  deforms: Uint8Array | null,
): HelperJoint[] {
  const { skeleton } = figure;
  const claimed = new Set<number>([...Object.values(roles), ...trunk]);
  const hands = [roles.leftHand ?? roles.leftLowerArm, roles.rightHand ?? roles.rightLowerArm];
  const helpers: HelperJoint[] = [];
  for (let j = 0; j < skeleton.jointCount; j++) {
    if (claimed.has(j)) continue;
    const carriesRole = [...claimed].some((k) => k > j && k < skeleton.subtreeEnd[j]!);
    const twist = readTwist(figure, names[j]!, j, roles);
    if (twist) helpers.push(twist);
    else if (carriesRole) continue;
    else if (isPole(figure, names[j]!, j, body, forward, deforms)) helpers.push({ joint: j, kind: 'pole' });
    else if (names[j]!.concepts.includes('control')) helpers.push({ joint: j, kind: 'control' });
    else if (isDuplicate(figure, j, claimed)) helpers.push({ joint: j, kind: 'control' });
    else if (
      names[j]!.concepts.includes('prop') ||
      hands.some(
        (hand) =>
          hand !== undefined && j > hand && j < skeleton.subtreeEnd[hand]! && !isBelowFinger(figure, j, claimed, hand),
      )
    ) {
      helpers.push({ joint: j, kind: 'prop' });
    } else helpers.push({ joint: j, kind: 'extra' });
  }
  return helpers;
}

/** A joint on the bone of a limb: in the chain between its ends, or a leaf beside it. */
function readTwist(figure: Figure, name: NameReading, j: number, roles: RoleMap): HelperJoint | null {
  const { points, skeleton, children } = figure;
  for (const { of, end } of TWIST_BONES) {
    const start = roles[of];
    const stop = roles[end];
    if (start === undefined || stop === undefined) continue;
    if (j <= start || j >= skeleton.subtreeEnd[start]!) continue;
    const isBetween = stop > j && stop < skeleton.subtreeEnd[j]!;
    const isBeside = children[j]!.length === 0 && (skeleton.parents[j] === start || name.concepts.includes('twist'));
    if (!isBetween && !isBeside) continue;
    const bone = minus(points[stop]!, points[start]!);
    const length = norm(bone);
    if (length === 0) continue;
    const direction = unit(bone);
    const offset = minus(points[j]!, points[start]!);
    const share = dot(offset, direction) / length;
    const aside = norm(squareTo(offset, direction)) / length;
    if (share < -0.02 || share > 1.02 || aside > TWIST_ASIDE) continue;
    // A leaf at the elbow itself is no twist joint unless it is called one.
    if (isBeside && !name.concepts.includes('twist') && (share < 0.1 || share > 0.9)) continue;
    return { joint: j, kind: 'twist', of, share: Math.min(1, Math.max(0, share)) };
  }
  return null;
}

/** Stands clear of the body in front of a knee or behind an elbow, outside the limb, and moves no mesh. */
function isPole(
  { points, skeleton, children }: Figure,
  name: NameReading,
  j: number,
  body: Interpretation,
  forward: Point,
  deforms: Uint8Array | null,
): boolean {
  if (name.concepts.includes('pole')) return true;
  if (deforms?.[j] || children[j]!.length > 0) return false;
  const check = (joint: number, upper: number, way: Point): boolean => {
    if (j >= upper && j < skeleton.subtreeEnd[upper]!) return false;
    const offset = minus(points[j]!, points[joint]!);
    const bone = distance(points[joint]!, points[upper]!);
    return norm(offset) > 0.7 * bone && dot(unit(offset), way) > 0.9;
  };
  return (
    body.legs.some((leg) => check(leg.lower, leg.upper, forward)) ||
    body.arms.some((arm) => check(arm.lower, arm.upper, times(forward, -1)))
  );
}

/** Stands exactly where a joint with a role stands, in another branch: a control or a copy. */
function isDuplicate({ points, skeleton, extent }: Figure, j: number, claimed: ReadonlySet<number>): boolean {
  for (const k of claimed) {
    const isRelated = (k >= j && k < skeleton.subtreeEnd[j]!) || (j >= k && j < skeleton.subtreeEnd[k]!);
    if (!isRelated && distance(points[j]!, points[k]!) < 1e-3 * extent) return true;
  }
  return false;
}

/** Whether a claimed joint other than the hand itself stands above `j` inside the hand. */
function isBelowFinger({ skeleton }: Figure, j: number, claimed: ReadonlySet<number>, hand: number): boolean {
  for (let p = skeleton.parents[j]!; p > hand; p = skeleton.parents[p]!) if (claimed.has(p)) return true;
  return false;
}
