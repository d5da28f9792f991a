import { axisAngleQuat, mulInverseQuat, mulQuat, rotateVec, rotateVecInverse } from '../math/quat.ts';
import { addVec, subVec } from '../math/vec.ts';
import { PARENT_ROLE, ROLES, type Role, type RoleMap } from '../pairing/roles.ts';
import { type Clip, createClip } from '../skeleton/clip.ts';
import { isWithin, restWorldPose, type Skeleton } from '../skeleton/skeleton.ts';
import { ARM_CIRCLE, exerciseMoves, type Move } from './exercise-moves.ts';

/** The routine as a clip, and the frames in which a move is at its height. */
export interface Exercise {
  clip: Clip;
  /** Ascending. */
  heights: { frame: number; move: string }[];
}

export const EXERCISE_FPS = 30;
/** Frames from the canonical posture to the height of a move, and back. */
const HALF = 10;

/**
 * A routine for one character: every joint through its range, squat, twist and arm circles, 30 frames a second. It is
 * built on the canonical posture, so that it looks alike on every rig. A part that hangs elsewhere in the tree (a foot
 * under the root) is carried along by translation keys; joints without a role above all others stay.
 *
 * @param skeleton  world space
 * @param posture   world rotations of the joints in the canonical posture, jointCount × 4
 * Allocates its result. Throws nothing.
 */
export function exerciseClip(skeleton: Skeleton, roles: RoleMap, posture: Float64Array): Exercise {
  const plan = planBody(skeleton, roles, posture);
  const steps: { from: Move; to: Move; share: number }[] = [];
  const heights: Exercise['heights'] = [];
  const still: Move = { name: 'rest', turns: [] };
  const go = (from: Move, to: Move) => {
    for (let i = 1; i <= HALF; i++) steps.push({ from, to, share: (1 - Math.cos((Math.PI * i) / HALF)) / 2 });
    if (to !== still) heights.push({ frame: steps.length - 1, move: to.name });
  };
  steps.push({ from: still, to: still, share: 1 });
  for (const move of exerciseMoves(roles)) {
    go(still, move);
    go(move, still);
  }
  const circle = [...ARM_CIRCLE, ARM_CIRCLE[0]!];
  circle.forEach((move, i) => {
    go(i === 0 ? still : circle[i - 1]!, move);
  });
  go(circle[circle.length - 1]!, still);

  const clip = createClip('exercise', steps.length, 1 / EXERCISE_FPS, skeleton.jointCount, plan.movers);
  steps.forEach(({ from, to, share }, frame) => {
    writeFrame(skeleton, plan, clip, frame, [
      { move: from, share: 1 - share },
      { move: to, share },
    ]);
  });
  return { clip, heights };
}

interface BodyPlan {
  roles: RoleMap;
  posture: Float64Array;
  /** The role whose turn each joint follows, or null above all of them. */
  leader: (Role | null)[];
  /** The role above each in this figure. */
  above: Map<Role, Role | null>;
  /** Joints that need translation keys: where the body hangs, and parts that hang elsewhere. Ascending. */
  movers: number[];
  /** For each part that hangs elsewhere: the joint that carries it and where it sits in that joint's frame. */
  carried: Map<number, { by: number; at: Float64Array }>;
  /** World position of the hips joint in the canonical posture with the soles where they are at rest. */
  hips: number;
  rest: ReturnType<typeof restWorldPose>;
  /** What stands on the floor: foot and toe joints, and their height at rest. */
  soles: { joint: number; height: number }[];
}

function planBody(skeleton: Skeleton, roles: RoleMap, posture: Float64Array): BodyPlan {
  const rest = restWorldPose(skeleton);
  const roleOf = new Map<number, Role>();
  for (const role of ROLES) if (roles[role] !== undefined) roleOf.set(roles[role], role);
  const leader: (Role | null)[] = [];
  for (let j = 0; j < skeleton.jointCount; j++) {
    const parent = skeleton.parents[j]!;
    leader.push(roleOf.get(j) ?? (parent >= 0 ? leader[parent]! : null));
  }
  const above = new Map<Role, Role | null>();
  const carried = new Map<number, { by: number; at: Float64Array }>();
  for (const role of roleOf.values()) {
    let up = PARENT_ROLE[role];
    while (up !== null && roles[up] === undefined) up = PARENT_ROLE[up];
    above.set(role, up);
    const joint = roles[role]!;
    const by = up === null ? undefined : roles[up];
    if (by === undefined || isWithin(skeleton, by, joint)) continue;
    const at = new Float64Array(3);
    subVec(at, 0, rest.positions, joint * 3, rest.positions, by * 3);
    rotateVecInverse(at, 0, rest.rotations, by * 4, at, 0);
    carried.set(joint, { by, at });
  }
  const hips = roles.hips ?? 0;
  const soles = (['leftFoot', 'rightFoot', 'leftToes', 'rightToes'] as const).flatMap((role) => {
    const joint = roles[role];
    return joint === undefined ? [] : [{ joint, height: rest.positions[joint * 3 + 1]! }];
  });
  const movers = [...new Set([hips, ...carried.keys()])].sort((a, b) => a - b);
  return { roles, posture, leader, above, movers, carried, hips, rest, soles };
}

const AXES = { x: [1, 0, 0], y: [0, 1, 0], z: [0, 0, 1] } as const;
const DEGREE = Math.PI / 180;

function writeFrame(
  skeleton: Skeleton,
  plan: BodyPlan,
  clip: Clip,
  frame: number,
  blend: readonly { move: Move; share: number }[],
): void {
  const { jointCount, parents, restTranslations } = skeleton;
  const { roles, posture, leader, above, carried, movers, hips, rest, soles } = plan;
  const turn = new Float64Array(4);
  const turnOf = new Map<Role, Float64Array>();
  for (const role of ROLES) {
    if (roles[role] === undefined) continue;
    const up = above.get(role);
    const whole = up ? turnOf.get(up)!.slice() : Float64Array.of(0, 0, 0, 1);
    for (const { move, share } of blend)
      for (const { role: moved, axis, degrees } of move.turns) {
        if (moved !== role) continue;
        const [x, y, z] = AXES[axis];
        axisAngleQuat(turn, 0, x, y, z, share * degrees * DEGREE);
        mulQuat(whole, 0, whole, 0, turn, 0);
      }
    turnOf.set(role, whole);
  }
  const rotations = new Float64Array(jointCount * 4);
  for (let j = 0; j < jointCount; j++) {
    const led = leader[j];
    if (led) mulQuat(rotations, j * 4, turnOf.get(led)!, 0, posture, j * 4);
    else rotations.set(rest.rotations.subarray(j * 4, j * 4 + 4), j * 4);
  }
  const positions = new Float64Array(jointCount * 3);
  const placed = new Map<number, Float64Array>([[hips, rest.positions.slice(hips * 3, hips * 3 + 3)]]);
  const place = () => {
    for (let j = 0; j < jointCount; j++) {
      const p = parents[j]!;
      const at = placed.get(j);
      if (at) positions.set(at, j * 3);
      else if (p < 0) positions.set(rest.positions.subarray(j * 3, j * 3 + 3), j * 3);
      else {
        rotateVec(positions, j * 3, rotations, p * 4, restTranslations, j * 3);
        addVec(positions, j * 3, positions, j * 3, positions, p * 3);
      }
    }
  };
  const carry = () => {
    place();
    // A part may hang from one that is carried itself: each pass settles one more link.
    for (const [joint, { by, at }] of carried) {
      const where = new Float64Array(3);
      rotateVec(where, 0, rotations, by * 4, at, 0);
      addVec(where, 0, where, 0, positions, by * 3);
      placed.set(joint, where);
      place();
    }
  };
  carry();
  // The lowest of feet and toes comes down, or up, to where it stands at rest.
  let drop = Number.POSITIVE_INFINITY;
  for (const { joint, height } of soles) drop = Math.min(drop, positions[joint * 3 + 1]! - height);
  if (Number.isFinite(drop)) {
    placed.get(hips)![1]! -= drop;
    carry();
  }
  const local = new Float64Array(4);
  const offset = new Float64Array(3);
  for (let j = 0; j < jointCount; j++) {
    const p = parents[j]!;
    if (p < 0) clip.rotations.set(rotations.subarray(j * 4, j * 4 + 4), (frame * jointCount + j) * 4);
    else {
      mulInverseQuat(local, 0, rotations, p * 4, rotations, j * 4);
      clip.rotations.set(local, (frame * jointCount + j) * 4);
    }
  }
  movers.forEach((j, m) => {
    const p = parents[j]!;
    offset.set(positions.subarray(j * 3, j * 3 + 3));
    if (p >= 0) {
      subVec(offset, 0, offset, 0, positions, p * 3);
      rotateVecInverse(offset, 0, rotations, p * 4, offset, 0);
    }
    clip.translations.set(offset, (frame * movers.length + m) * 3);
  });
}
