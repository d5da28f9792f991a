/** The performer whose motion the sample clips hold: centimetres, Y up, T-pose facing +Z; and its BVH. */
import { add, conjugate, multiply, type Quat, rotate, type Vec } from './math.ts';

interface Part {
  name: string;
  parent: string | null;
  offset: Vec;
  /** Order in which BVH lists, and multiplies, the rotations. Chosen so that no motion here comes near gimbal lock. */
  order: 'ZXY' | 'ZYX';
  end?: Vec;
}

export const HIP_X = 9;
export const THIGH = 43;
export const SHIN = 42;
/** Of the ankle over the floor. */
export const ANKLE_HEIGHT = 7.5;
/** From the ankle, foot flat. The ball joint stands 2 cm over the floor. */
export const BALL: Vec = [0, -5.5, 13];
/** From the ankle to the lowest point of the heel, foot flat. No joint of its own. */
export const HEEL: Vec = [0, -7.5, -5];
export const TOE_TIP: Vec = [0, -0.6, 7];
export const HIP_DROP = 4;

const ONE_SIDE: (Omit<Part, 'name' | 'parent'> & { name: string; parent: string })[] = [
  { name: 'femur', parent: 'pelvis_c', offset: [HIP_X, -HIP_DROP, 0], order: 'ZYX' },
  { name: 'tibia', parent: 'femur', offset: [0, -THIGH, 0], order: 'ZYX' },
  { name: 'ankle', parent: 'tibia', offset: [0, -SHIN, 0], order: 'ZYX' },
  { name: 'ball', parent: 'ankle', offset: BALL, order: 'ZYX', end: TOE_TIP },
  { name: 'clavicle', parent: 'thorax_c', offset: [2.5, 17, 0], order: 'ZYX' },
  { name: 'humerus', parent: 'clavicle', offset: [15, 0, -1], order: 'ZYX' },
  { name: 'radius', parent: 'humerus', offset: [29, 0, 0], order: 'ZYX' },
  { name: 'wrist', parent: 'radius', offset: [25.5, 0, 0], order: 'ZYX', end: [17, 0, 0] },
];

function sidePart(part: (typeof ONE_SIDE)[number], side: 'l' | 'r'): Part {
  const flip = (v: Vec): Vec => (side === 'l' ? v : [-v[0], v[1], v[2]]);
  const parent = part.parent.endsWith('_c') ? part.parent : `${part.parent}_${side}`;
  return { ...part, name: `${part.name}_${side}`, parent, offset: flip(part.offset), end: part.end && flip(part.end) };
}

/** Depth first, as BVH lists them. */
export const PERFORMER: readonly Part[] = depthFirst([
  { name: 'pelvis_c', parent: null, offset: [0, THIGH + SHIN + ANKLE_HEIGHT + HIP_DROP, 0], order: 'ZXY' },
  { name: 'lumbar_c', parent: 'pelvis_c', offset: [0, 9, -1], order: 'ZXY' },
  { name: 'thorax_c', parent: 'lumbar_c', offset: [0, 14, 0], order: 'ZXY' },
  { name: 'neck_c', parent: 'thorax_c', offset: [0, 23, -1], order: 'ZXY' },
  { name: 'head_c', parent: 'neck_c', offset: [0, 9, 1.5], order: 'ZXY', end: [0, 19, 1] },
  ...(['l', 'r'] as const).flatMap((side) => ONE_SIDE.map((part) => sidePart(part, side))),
]);

function depthFirst(parts: readonly Part[]): Part[] {
  const sorted: Part[] = [];
  const visit = (parent: string | null): void => {
    for (const part of parts) {
      if (part.parent !== parent) continue;
      sorted.push(part);
      visit(part.name);
    }
  };
  visit(null);
  return sorted;
}

/** One frame: place of the root and local rotations; a joint that is not named keeps its zero rotation. */
export interface Posture {
  root: Vec;
  local: Map<string, Quat>;
}

/** World rotation and position of every joint. */
export function worldOf(posture: Posture): Map<string, { rotation: Quat; position: Vec }> {
  const world = new Map<string, { rotation: Quat; position: Vec }>();
  for (const { name, parent, offset } of PERFORMER) {
    const local = posture.local.get(name) ?? [0, 0, 0, 1];
    if (parent === null) {
      world.set(name, { rotation: local, position: posture.root });
      continue;
    }
    const above = world.get(parent)!;
    world.set(name, {
      rotation: multiply(above.rotation, local),
      position: add(above.position, rotate(above.rotation, offset)),
    });
  }
  return world;
}

/** Local rotation of a joint that has to have the given world rotation. */
export const localFor = (parentWorld: Quat, world: Quat): Quat => multiply(conjugate(parentWorld), world);

/** Angles in degrees in the order of the channels: R = R(first) · R(second) · R(third). */
function eulerDegrees(q: Quat, order: 'ZXY' | 'ZYX'): [number, number, number] {
  const [x, y, z] = [rotate(q, [1, 0, 0]), rotate(q, [0, 1, 0]), rotate(q, [0, 0, 1])];
  const degrees = 180 / Math.PI;
  const arcsine = (s: number): number => Math.asin(Math.min(1, Math.max(-1, s)));
  if (order === 'ZXY') {
    return [Math.atan2(-y[0], y[1]) * degrees, arcsine(y[2]) * degrees, Math.atan2(-x[2], z[2]) * degrees];
  }
  return [Math.atan2(x[1], x[0]) * degrees, arcsine(-x[2]) * degrees, Math.atan2(y[2], z[2]) * degrees];
}

export function toBvh(frames: readonly Posture[], fps: number): string {
  const lines = ['HIERARCHY'];
  const number = (x: number): string => (Math.round(x * 1e4) / 1e4 + 0).toFixed(4);
  const point = (v: Vec): string => v.map(number).join(' ');
  const write = (part: Part, depth: number): void => {
    const indent = '  '.repeat(depth);
    lines.push(`${indent}${part.parent === null ? 'ROOT' : 'JOINT'} ${part.name}`, `${indent}{`);
    lines.push(`${indent}  OFFSET ${part.parent === null ? point([0, 0, 0]) : point(part.offset)}`);
    const rotations = [...part.order].map((axis) => `${axis}rotation`);
    const channels = part.parent === null ? ['Xposition', 'Yposition', 'Zposition', ...rotations] : rotations;
    lines.push(`${indent}  CHANNELS ${channels.length} ${channels.join(' ')}`);
    for (const child of PERFORMER) if (child.parent === part.name) write(child, depth + 1);
    if (part.end)
      lines.push(`${indent}  End Site`, `${indent}  {`, `${indent}    OFFSET ${point(part.end)}`, `${indent}  }`);
    lines.push(`${indent}}`);
  };
  write(PERFORMER[0]!, 0);
  lines.push('MOTION', `Frames: ${frames.length}`, `Frame Time: ${(1 / fps).toFixed(8)}`);
  const last = new Map<string, [number, number, number]>();
  for (const { root, local } of frames) {
    const row: number[] = [...root];
    for (const { name, order } of PERFORMER) {
      const angles = eulerDegrees(local.get(name) ?? [0, 0, 0, 1], order);
      const before = last.get(name);
      // No jumps of a full turn from one frame to the next.
      if (before) for (let k = 0; k < 3; k++) angles[k]! -= 360 * Math.round((angles[k]! - before[k]!) / 360);
      last.set(name, angles);
      row.push(...angles);
    }
    lines.push(row.map(number).join(' '));
  }
  return `${lines.join('\n')}\n`;
}
