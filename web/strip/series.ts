import {
  type Clip,
  createWorldPose,
  framePose,
  LIMB_PARTS,
  type Limb,
  RANGES_OF_MOTION,
  type Role,
  type RoleMap,
  restLocalPose,
  type Skeleton,
} from '../../src/index.ts';
import type { MotionData, PerformerData, ReceiverData } from '../worker/protocol.ts';

/** What the time strip can draw, of performer and character alike. */
export const MEASURES = [
  { id: 'foot-height', title: 'Height of the feet', unit: 'cm', sides: ['left', 'right'] },
  { id: 'foot-speed', title: 'Speed of the feet', unit: 'm/s', sides: ['left', 'right'] },
  { id: 'knee', title: 'Bend of the knees', unit: '°', sides: ['left', 'right'] },
  { id: 'elbow', title: 'Bend of the elbows', unit: '°', sides: ['left', 'right'] },
  { id: 'hips-height', title: 'Height of the hips', unit: 'cm', sides: ['middle'] },
] as const;
export type MeasureId = (typeof MEASURES)[number]['id'];

export interface Curve {
  side: 'left' | 'right' | 'middle';
  figure: 'source' | 'target';
  values: Float64Array;
}

export interface Chart {
  title: string;
  unit: string;
  seconds: Float64Array;
  curves: Curve[];
  /** A value that should not be passed, and why. */
  limit: { value: number; label: string } | null;
}

/** Curves of one measure. The performer's lengths are drawn at the size at which it is shown: its legs as long as the character's. */
export function chartOf(id: MeasureId, performer: PerformerData, receiver: ReceiverData, motion: MotionData): Chart {
  const measure = MEASURES.find((each) => each.id === id)!;
  const { frameCount, frameDuration } = motion.clip;
  const curves: Curve[] = [];
  const figures = [
    {
      figure: 'source' as const,
      skeleton: performer.skeleton,
      roles: performer.roles,
      clip: performer.clip,
      scale: motion.scale,
    },
    { figure: 'target' as const, skeleton: receiver.skeleton, roles: receiver.roles, clip: motion.clip, scale: 1 },
  ];
  for (const { figure, skeleton, roles, clip, scale } of figures) {
    for (const side of measure.sides) {
      const wanted = jointsFor(id, side, roles);
      if (!wanted) continue;
      curves.push({ figure, side, values: valuesOf(id, pathsOf(skeleton, clip, wanted), clip, scale) });
    }
  }
  const range = { knee: RANGES_OF_MOTION.kneeFlexion, elbow: RANGES_OF_MOTION.elbowFlexion }[id as string];
  const limit = range
    ? { value: range.max, label: `published range ends at ${range.max}°; for animation, not for medical use` }
    : id === 'foot-height'
      ? { value: 0, label: 'floor' }
      : null;
  const seconds = Float64Array.from({ length: frameCount }, (_, f) => f * frameDuration);
  return { title: measure.title, unit: measure.unit, seconds, curves, limit };
}

function jointsFor(id: MeasureId, side: 'left' | 'right' | 'middle', roles: RoleMap): number[] | null {
  if (side === 'middle') return roles.hips === undefined ? null : [roles.hips];
  const at = (part: string): number | undefined => roles[`${side}${part}` as Role];
  if (id === 'foot-height' || id === 'foot-speed') {
    const foot = at('Toes') ?? at('Foot') ?? at('LowerLeg');
    return foot === undefined ? null : [foot];
  }
  const { upper, lower, end } = LIMB_PARTS[`${side}${id === 'knee' ? 'Leg' : 'Arm'}` as Limb];
  const chain = [at(upper), at(lower), at(end)];
  return chain.every((joint) => joint !== undefined) ? (chain as number[]) : null;
}

/** World positions of some joints, one array a joint, frameCount × 3. */
function pathsOf(skeleton: Skeleton, clip: Clip, joints: readonly number[]): Float64Array[] {
  const scratch = restLocalPose(skeleton);
  const pose = createWorldPose(skeleton.jointCount);
  const paths = joints.map(() => new Float64Array(clip.frameCount * 3));
  for (let f = 0; f < clip.frameCount; f++) {
    framePose(skeleton, clip, f, scratch, pose);
    joints.forEach((joint, i) => {
      paths[i]!.set(pose.positions.subarray(joint * 3, joint * 3 + 3), f * 3);
    });
  }
  return paths;
}

function valuesOf(id: MeasureId, paths: readonly Float64Array[], clip: Clip, scale: number): Float64Array {
  const { frameCount, frameDuration } = clip;
  const [a, b, c] = paths as [Float64Array, Float64Array | undefined, Float64Array | undefined];
  const values = new Float64Array(frameCount);
  for (let f = 0; f < frameCount; f++) {
    if (b && c) values[f] = bend(a, b, c, f * 3);
    else if (id === 'foot-speed') {
      const from = Math.max(0, f - 1) * 3;
      const to = Math.min(frameCount - 1, f + 1) * 3;
      const way = Math.hypot(a[to]! - a[from]!, a[to + 1]! - a[from + 1]!, a[to + 2]! - a[from + 2]!);
      values[f] = to > from ? (way * scale) / (((to - from) / 3) * frameDuration) : 0;
    } else values[f] = a[f * 3 + 1]! * scale * 100;
  }
  return values;
}

/** Degrees from straight at the middle of three points. */
function bend(a: Float64Array, b: Float64Array, c: Float64Array, at: number): number {
  const u = [b[at]! - a[at]!, b[at + 1]! - a[at + 1]!, b[at + 2]! - a[at + 2]!] as const;
  const v = [c[at]! - b[at]!, c[at + 1]! - b[at + 1]!, c[at + 2]! - b[at + 2]!] as const;
  const cross = Math.hypot(u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]);
  return (Math.atan2(cross, u[0] * v[0] + u[1] * v[1] + u[2] * v[2]) * 180) / Math.PI;
}
