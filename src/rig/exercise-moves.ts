import type { Role, RoleMap } from '../pairing/roles.ts';
import { RANGES_OF_MOTION as RANGES } from '../skeleton/joint-ranges.ts';

/** A turn of one role against the role above it, about an axis of the body: x left, y up, z front. */
export interface Turn {
  role: Role;
  axis: 'x' | 'y' | 'z';
  /** At the height of the move. */
  degrees: number;
}

/** One movement of the routine: from the canonical posture to its height and back. */
export interface Move {
  name: string;
  /** In order: a role that comes twice is turned by the first one first. */
  turns: Turn[];
}

/** Shoulder elevation is shared by collar bone and upper arm, about one to two (Inman et al. 1944, JBJS 26(1), 1–30). */
const COLLAR_SHARE = 1 / 3;

/**
 * Turns of both sides, given for the left: the mirror image in the plane of symmetry keeps turns about x and inverts
 * the others.
 */
function both(part: string, axis: Turn['axis'], degrees: number): Turn[] {
  return [
    { role: `left${part}` as Role, axis, degrees },
    { role: `right${part}` as Role, axis, degrees: axis === 'x' ? degrees : -degrees },
  ];
}

const FINGERS = ['Index', 'Middle', 'Ring', 'Little'];
/** Degrees each finger joint closes for a fist; common practice, no source. */
const FIST = 75;

/** The forearm turns along its length: half of it at the elbow, half at the wrist. */
function forearms(degrees: number): Turn[] {
  return [...both('LowerArm', 'x', degrees / 2), ...both('Hand', 'x', degrees / 2)];
}

/**
 * The routine: every joint of the body through its range, one plane after the other, then whole-body movements. Angles are
 * the published ranges (see RANGES_OF_MOTION), for animation, not for medical use.
 */
export function exerciseMoves(roles: RoleMap): Move[] {
  /** Shared by those of the roles that the figure has. */
  const share = (among: readonly Role[], axis: Turn['axis'], degrees: number): Turn[] => {
    const present = among.filter((role) => roles[role] !== undefined);
    return present.map((role) => ({ role, axis, degrees: degrees / present.length }));
  };
  const spine = (axis: Turn['axis'], degrees: number) => share(['spine', 'chest', 'upperChest'], axis, degrees);
  const neck = (axis: Turn['axis'], degrees: number) => share(['neck', 'head'], axis, degrees);
  const hasCollars = roles.leftShoulder !== undefined && roles.rightShoulder !== undefined;
  /** Arms hang at 90 degrees below the T-pose; elevation counts from there. */
  const elevation = (degrees: number): Turn[] => {
    const above = degrees - 90;
    const collar = hasCollars ? Math.max(0, above) * COLLAR_SHARE : 0;
    return [...both('Shoulder', 'z', collar), ...both('UpperArm', 'z', above - collar)];
  };
  const moves: Move[] = [
    { name: 'arms down', turns: elevation(10) },
    { name: 'arms up', turns: elevation(RANGES.shoulderAbduction.max - 10) },
    { name: 'arms forward', turns: both('UpperArm', 'y', -85) },
    { name: 'arms back', turns: both('UpperArm', 'y', 30) },
    { name: 'elbows bent', turns: both('LowerArm', 'y', -RANGES.elbowFlexion.max + 10) },
    { name: 'elbows bent at the side', turns: [...elevation(10), ...both('LowerArm', 'y', -90)] },
    { name: 'forearms turned', turns: forearms(RANGES.forearmRotation.max) },
    { name: 'forearms turned back', turns: forearms(RANGES.forearmRotation.min) },
    { name: 'wrists bent', turns: both('Hand', 'z', -RANGES.wristFlexion.max) },
    { name: 'wrists stretched', turns: both('Hand', 'z', -RANGES.wristFlexion.min) },
    {
      name: 'fists',
      turns: FINGERS.flatMap((finger) =>
        ['Proximal', 'Intermediate', 'Distal'].flatMap((part) => both(`${finger}${part}`, 'z', -FIST)),
      ),
    },
    { name: 'knees bent', turns: both('LowerLeg', 'x', RANGES.kneeFlexion.max - 10) },
    {
      name: 'knees raised',
      turns: [...both('UpperLeg', 'x', -RANGES.hipFlexion.max + 20), ...both('LowerLeg', 'x', 100)],
    },
    { name: 'legs back', turns: both('UpperLeg', 'x', -RANGES.hipFlexion.min) },
    { name: 'legs apart', turns: both('UpperLeg', 'z', RANGES.hipAbduction.max) },
    { name: 'legs turned', turns: both('UpperLeg', 'y', RANGES.hipRotation.max) },
    { name: 'toes down', turns: both('Foot', 'x', -RANGES.ankleFlexion.min - 12) },
    { name: 'toes up', turns: both('Foot', 'x', -RANGES.ankleFlexion.max) },
    { name: 'on the ball of the foot', turns: [...both('Foot', 'x', 30), ...both('Toes', 'x', -30)] },
    {
      name: 'squat',
      turns: [
        ...both('UpperLeg', 'x', -105),
        ...both('LowerLeg', 'x', 120),
        ...both('Foot', 'x', -15),
        ...spine('x', 30),
        ...both('UpperArm', 'y', -85),
      ],
    },
    { name: 'bent forward', turns: spine('x', RANGES.trunkFlexion.max - 20) },
    { name: 'bent back', turns: spine('x', RANGES.trunkFlexion.min) },
    { name: 'bent to the left', turns: spine('z', -RANGES.trunkBend.max) },
    { name: 'bent to the right', turns: spine('z', RANGES.trunkBend.max) },
    { name: 'turned to the left', turns: spine('y', RANGES.trunkRotation.max) },
    { name: 'turned to the right', turns: spine('y', RANGES.trunkRotation.min) },
    { name: 'head down', turns: neck('x', RANGES.neckFlexion.max) },
    { name: 'head back', turns: neck('x', RANGES.neckFlexion.min) },
    { name: 'head to the left', turns: neck('y', RANGES.neckRotation.max) },
    { name: 'head to the right', turns: neck('y', RANGES.neckRotation.min) },
  ];
  return moves.filter(({ turns }) => turns.some(({ role }) => roles[role] !== undefined));
}

/** Arms swung round once, the elevation and the way forward of each step, degrees. */
export const ARM_CIRCLE: readonly Move[] = Array.from({ length: 4 }, (_, i) => {
  const angle = (i * Math.PI) / 2;
  return {
    name: 'arm circle',
    turns: [...both('UpperArm', 'z', 40 * Math.sin(angle)), ...both('UpperArm', 'y', -40 * Math.cos(angle))],
  };
});
