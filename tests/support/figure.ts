import { alignFigure } from '../../src/alignment/alignment.ts';
import { restAnkleHeights } from '../../src/alignment/soles.ts';
import {
  axisAngleQuat,
  mulInverseQuat,
  mulQuat,
  normalizeQuat,
  rotateVec,
  rotateVecInverse,
} from '../../src/math/quat.ts';
import type { Body } from '../../src/pairing/body.ts';
import type { Role, RoleMap } from '../../src/pairing/roles.ts';
import type { Actor } from '../../src/retarget/actor.ts';
import { type Clip, createClip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import {
  buildSkeleton,
  createWorldPose,
  type JointSource,
  pathBetween,
  type Skeleton,
} from '../../src/skeleton/skeleton.ts';

type Vec = readonly [number, number, number];
type Quat = Float64Array;

/** A joint of a test figure, by its world position in the T-pose (metres, Y up, facing +Z). */
interface Spot {
  role: Role | null;
  parent: string | null;
  at: Vec;
}

export interface FigureOptions {
  /** All lengths times this. */
  scale?: number;
  /** Thigh and shin times this. */
  legs?: number;
  /** Spine joints between hips and neck, 1 to 5. */
  spineJoints?: number;
  /** Turns each joint's own axes by a seeded random rotation: the same bones, rolled. */
  rollSeed?: number;
  /** Local turns of the rest pose away from the T-pose, degrees about a world axis of the T-pose: name → [axis, degrees]. */
  restTurns?: Record<string, [Vec, number]>;
  /** Puts an extra joint without a role in the middle of each thigh and upper arm. */
  splitLimbs?: boolean;
  /** Hangs the feet under a root joint on the floor, beside the hips. */
  detachedFeet?: boolean;
  fingers?: boolean;
}

/** Deterministic numbers in [0, 1) (mulberry32). */
export function seeded(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = state;
    t = Math.imul(t ^ (t >>> 15), t | 1);
    t ^= t + Math.imul(t ^ (t >>> 7), t | 61);
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
}

export function randomQuat(random: () => number, largest = Math.PI): Quat {
  const q: Quat = new Float64Array(4);
  const axis = [random() - 0.5, random() - 0.5, random() - 0.5];
  const length = Math.hypot(...axis) || 1;
  axisAngleQuat(q, 0, axis[0]! / length, axis[1]! / length, axis[2]! / length, largest * random());
  return q;
}

function spots(options: FigureOptions): Map<string, Spot> {
  const leg = options.legs ?? 1;
  const ankle = 0.08;
  const hip = ankle + 0.82 * leg;
  const map = new Map<string, Spot>();
  const add = (name: string, role: Role | null, parent: string | null, at: Vec): void => {
    map.set(name, { role, parent, at });
  };
  const rootName = options.detachedFeet ? 'root' : null;
  if (rootName) add('root', null, null, [0, 0, 0]);
  add('hips', 'hips', rootName, [0, hip + 0.06, 0]);
  const count = options.spineJoints ?? 3;
  const roles: Role[] = ['spine', 'chest', 'upperChest'];
  for (let i = 0; i < count; i++) {
    const name = `spine${i}`;
    add(name, roles[i] ?? null, i === 0 ? 'hips' : `spine${i - 1}`, [0, hip + 0.16 + (0.3 * i) / count, -0.02]);
  }
  const top = `spine${count - 1}`;
  add('neck', 'neck', top, [0, hip + 0.56, -0.02]);
  add('head', 'head', 'neck', [0, hip + 0.66, 0]);
  for (const side of ['left', 'right'] as const) {
    const x = side === 'left' ? 1 : -1;
    const name = (part: string): string => `${side}${part}`;
    const add2 = (part: string, parent: string, at: Vec): void =>
      add(name(part), name(part) as Role, parent, [at[0] * x, at[1], at[2]]);
    add2('UpperLeg', 'hips', [0.09, hip, 0]);
    let above = name('UpperLeg');
    if (options.splitLimbs) {
      add(name('ThighMiddle'), null, above, [0.09 * x, hip - 0.2 * leg, 0.01]);
      above = name('ThighMiddle');
    }
    add2('LowerLeg', above, [0.09, hip - 0.41 * leg, 0.02]);
    add2('Foot', options.detachedFeet ? 'root' : name('LowerLeg'), [0.09, ankle, 0]);
    add2('Toes', name('Foot'), [0.1, 0, 0.14]);
    add2('Shoulder', top, [0.03, hip + 0.5, 0]);
    add2('UpperArm', name('Shoulder'), [0.17, hip + 0.5, -0.02]);
    above = name('UpperArm');
    if (options.splitLimbs) {
      add(name('ArmMiddle'), null, above, [0.3 * x, hip + 0.5, -0.02]);
      above = name('ArmMiddle');
    }
    add2('LowerArm', above, [0.45, hip + 0.5, -0.025]);
    add2('Hand', name('LowerArm'), [0.7, hip + 0.5, -0.02]);
    if (options.fingers) {
      add2('ThumbMetacarpal', name('Hand'), [0.72, hip + 0.49, 0.02]);
      add2('IndexProximal', name('Hand'), [0.79, hip + 0.5, 0.01]);
      add2('IndexIntermediate', name('IndexProximal'), [0.83, hip + 0.5, 0.01]);
      add2('LittleProximal', name('Hand'), [0.78, hip + 0.5, -0.05]);
    }
  }
  return map;
}

/** A humanoid figure built from joint positions, read as a body without any guessing, and aligned. */
export function figure(options: FigureOptions = {}): Actor {
  const scale = options.scale ?? 1;
  const random = seeded(options.rollSeed ?? 0);
  const map = spots(options);
  const sources = new Map<string, JointSource>();
  const worldQ = new Map<string, Quat>();
  const roots: JointSource[] = [];
  const posed = posePositions(map, options.restTurns ?? {});
  for (const [name, spot] of map) {
    const { at, turn } = posed.get(name)!;
    const roll: Quat = options.rollSeed === undefined ? Float64Array.of(0, 0, 0, 1) : randomQuat(random);
    const world: Quat = new Float64Array(4);
    mulQuat(world, 0, turn, 0, roll, 0);
    normalizeQuat(world, 0);
    worldQ.set(name, world);
    const rotation = world.slice();
    const translation = Float64Array.from(at, (x) => x * scale);
    if (spot.parent !== null) {
      const parentQ = worldQ.get(spot.parent)!;
      const parentAt = posed.get(spot.parent)!.at;
      mulInverseQuat(rotation, 0, parentQ, 0, world, 0);
      for (let k = 0; k < 3; k++) translation[k] = (at[k]! - parentAt[k]!) * scale;
      rotateVecInverse(translation, 0, parentQ, 0, translation, 0);
    }
    const [qx, qy, qz, qw] = rotation;
    const [x, y, z] = translation;
    const source: JointSource = { name, rotation: [qx!, qy!, qz!, qw!], translation: [x!, y!, z!], children: [] };
    sources.set(name, source);
    if (spot.parent === null) roots.push(source);
    else sources.get(spot.parent)!.children.push(source);
  }
  const { skeleton } = buildSkeleton(roots);
  const roles: RoleMap = {};
  skeleton.names.forEach((name, j) => {
    const role = map.get(name)!.role;
    if (role !== null) roles[role] = j;
  });
  const body = bodyOf(skeleton, roles, 1.7 * scale);
  return { skeleton, body, alignment: alignFigure(skeleton, body, restAnkleHeights(skeleton, roles, [])) };
}

/** World positions and accumulated turns after the rest turns, by forward kinematics over the spots. */
function posePositions(
  map: Map<string, Spot>,
  turns: Record<string, [Vec, number]>,
): Map<string, { at: Float64Array; turn: Quat }> {
  const out = new Map<string, { at: Float64Array; turn: Quat }>();
  for (const [name, spot] of map) {
    const parent = spot.parent === null ? null : out.get(spot.parent)!;
    const turn: Quat = parent ? parent.turn.slice() : Float64Array.of(0, 0, 0, 1);
    const at = Float64Array.from(spot.at);
    if (parent) {
      const from = map.get(spot.parent!)!.at;
      for (let k = 0; k < 3; k++) at[k] = spot.at[k]! - from[k]!;
      rotateVec(at, 0, parent.turn, 0, at, 0);
      for (let k = 0; k < 3; k++) at[k]! += parent.at[k]!;
    }
    const own = turns[name];
    if (own) {
      const q: Quat = new Float64Array(4);
      axisAngleQuat(q, 0, ...own[0], (own[1] * Math.PI) / 180);
      mulQuat(turn, 0, turn, 0, q, 0);
    }
    out.set(name, { at, turn });
  }
  return out;
}

export function bodyOf(skeleton: Skeleton, roles: RoleMap, height: number): Body {
  const chest = roles.upperChest ?? roles.chest ?? roles.spine ?? roles.hips!;
  const carrier = roles.neck === undefined ? chest : skeleton.parents[roles.neck]!;
  return {
    humanoid: true,
    reason: 'built as one',
    readings: {},
    roles,
    spineChain: pathBetween(skeleton, roles.hips!, carrier).slice(1),
    neckChain: roles.neck === undefined ? [] : [roles.neck],
    helpers: [],
    frame: {
      up: [0, 1, 0],
      facing: [0, 0, 1],
      metresPerUnit: 1,
      height,
      floor: 0,
      evidence: { up: '', facing: '', metresPerUnit: '', height: '', floor: '' },
      unsure: [],
    },
    notes: [],
  };
}

/** A seeded motion: every joint turns smoothly about its T-pose by up to `largest` radians, the hips travel. */
export function wander(actor: Actor, frameCount: number, seed = 1, largest = 0.7): Clip {
  const { skeleton, body } = actor;
  const random = seeded(seed);
  const hips = body.roles.hips!;
  const clip = createClip('wander', frameCount, 1 / 30, skeleton.jointCount, [hips]);
  const q: Quat = new Float64Array(4);
  for (let j = 0; j < skeleton.jointCount; j++) {
    const isDriven = Object.values(body.roles).includes(j) || body.spineChain.includes(j);
    const goal = randomQuat(random, largest);
    const phase = random() * 6;
    for (let f = 0; f < frameCount; f++) {
      const angle = 2 * Math.acos(Math.min(1, Math.abs(goal[3]!))) * Math.sin(phase + f / 5);
      const s = Math.hypot(goal[0]!, goal[1]!, goal[2]!) || 1;
      axisAngleQuat(q, 0, goal[0]! / s, goal[1]! / s, goal[2]! / s, isDriven ? angle : 0);
      mulQuat(q, 0, skeleton.restRotations, j * 4, q, 0);
      normalizeQuat(q, 0);
      clip.rotations.set(q, (f * skeleton.jointCount + j) * 4);
    }
  }
  const rest = skeleton.restTranslations;
  for (let f = 0; f < frameCount; f++) {
    clip.translations.set(
      [
        rest[hips * 3]! + 0.1 * Math.sin(f / 4),
        rest[hips * 3 + 1]! - 0.05 * (1 - Math.cos(f / 3)),
        rest[hips * 3 + 2]! + f * 0.03,
      ],
      f * 3,
    );
  }
  return clip;
}

/** World positions of the joints of all roles in a frame: role → [x, y, z]. */
export function rolePositions(actor: Actor, clip: Clip, f: number): Map<Role, [number, number, number]> {
  const pose = createWorldPose(actor.skeleton.jointCount);
  framePose(actor.skeleton, clip, f, restLocalPose(actor.skeleton), pose);
  const out = new Map<Role, [number, number, number]>();
  for (const [role, j] of Object.entries(actor.body.roles)) {
    out.set(role as Role, [pose.positions[j * 3]!, pose.positions[j * 3 + 1]!, pose.positions[j * 3 + 2]!]);
  }
  return out;
}
