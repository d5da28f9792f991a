import { buildSkeleton, type JointSource, type Skeleton } from '../../src/skeleton/skeleton.ts';

/** A joint by its name, its parent's name and its world position; rotations are the identity. */
export type Row = [name: string, parent: string | null, at: readonly [number, number, number]];

/** A skeleton from rows in any order that has parents first. Leaves get no tips unless `tips` gives their world positions. */
export function skeletonFrom(
  rows: readonly Row[],
  tips: Record<string, readonly [number, number, number]> = {},
): Skeleton {
  const sources = new Map<string, JointSource>();
  const places = new Map<string, readonly [number, number, number]>();
  const roots: JointSource[] = [];
  for (const [name, parent, at] of rows) {
    const from = parent === null ? [0, 0, 0] : places.get(parent)!;
    const tip = tips[name];
    const source: JointSource = {
      name,
      rotation: [0, 0, 0, 1],
      translation: [at[0] - from[0]!, at[1] - from[1]!, at[2] - from[2]!],
      children: [],
      tips: tip ? [{ offset: [tip[0] - at[0], tip[1] - at[1], tip[2] - at[2]] }] : [],
    };
    sources.set(name, source);
    places.set(name, at);
    (parent === null ? roots : sources.get(parent)!.children).push(source);
  }
  return buildSkeleton(roots).skeleton;
}

/** A straight chain of joints along +Y, 0.2 apart. */
export function chain(count: number, prefix = 'joint'): Skeleton {
  return skeletonFrom(
    Array.from(
      { length: count },
      (_, i): Row => [`${prefix}${i}`, i === 0 ? null : `${prefix}${i - 1}`, [0, 0.2 * i, 0]],
    ),
  );
}

export interface BipedOptions {
  thigh?: number;
  shin?: number;
  upperArm?: number;
  lowerArm?: number;
  /** Joints between hips and neck. */
  spineJoints?: number;
  neck?: boolean;
  shoulders?: boolean;
  hands?: boolean;
  feet?: boolean;
  toes?: boolean;
  /** Fingers a hand, thumb first; 0 to 5, three joints each. */
  fingers?: number;
  /** How far the arms hang, degrees: 0 is a T, 90 straight down. */
  armsDown?: number;
  /** Hangs the feet under a root on the floor. */
  detachedFeet?: boolean;
  /** Twist joints in each upper arm and thigh. */
  twists?: number;
  /** What a joint is called; the default says side and part: `leftUpperLeg`. */
  name?: (part: string, side: 'left' | 'right' | null) => string;
}

const FINGER_NAMES = ['Thumb', 'Index', 'Middle', 'Ring', 'Little'] as const;

/**
 * Rows of a person of 1.7 m in metres, Y up, facing +Z (left is +X): knees a little forwards, elbows a little back.
 * Edit the rows to make a rig as riggers leave them, then hand them to `skeletonFrom`.
 */
export function bipedRows(options: BipedOptions = {}): Row[] {
  const { thigh = 0.42, shin = 0.42, upperArm = 0.28, lowerArm = 0.25, spineJoints = 3, armsDown = 0 } = options;
  const call = options.name ?? ((part, side) => (side ? `${side}${part}` : part[0]!.toLowerCase() + part.slice(1)));
  const rows: Row[] = [];
  const hip = 0.08 + thigh + shin;
  const root = options.detachedFeet ? 'root' : null;
  if (root) rows.push([root, null, [0, 0, 0]]);
  const hips = call('Hips', null);
  rows.push([hips, root, [0, hip + 0.05, 0]]);
  let above = hips;
  for (let i = 0; i < spineJoints; i++) {
    const part = spineJoints <= 3 ? ['Spine', 'Chest', 'UpperChest'][i]! : `Spine${i + 1}`;
    rows.push([call(part, null), above, [0, hip + 0.14 + (0.3 * i) / spineJoints, -0.02]]);
    above = call(part, null);
  }
  const top = above;
  if (options.neck !== false) {
    rows.push([call('Neck', null), top, [0, hip + 0.52, -0.02]]);
    above = call('Neck', null);
  }
  rows.push([call('Head', null), above, [0, hip + 0.62, 0]]);
  for (const side of ['left', 'right'] as const) {
    const x = side === 'left' ? 1 : -1;
    const add = (part: string, parent: string, at: readonly [number, number, number]): string => {
      const name = call(part, side);
      rows.push([name, parent, [x * at[0], at[1], at[2]]]);
      return name;
    };
    let leg = add('UpperLeg', hips, [0.09, hip, 0]);
    for (let i = 1; i <= (options.twists ?? 0); i++) {
      const share = i / (options.twists! + 1);
      leg = add(`UpperLegTwist${i}`, leg, [0.09, hip - share * thigh, 0.02 * share]);
    }
    leg = add('LowerLeg', leg, [0.09, hip - thigh, 0.02]);
    if (options.feet !== false) {
      const foot = add('Foot', root ?? leg, [0.09, 0.08, -0.01]);
      if (options.toes !== false) add('Toes', foot, [0.1, 0.02, 0.12]);
    }
    const down = (armsDown * Math.PI) / 180;
    const start = [0.17, hip + 0.48, -0.02] as const;
    const along = (distance: number, aside = 0): readonly [number, number, number] => [
      start[0] + distance * Math.cos(down),
      start[1] - distance * Math.sin(down),
      start[2] + aside,
    ];
    let arm = options.shoulders === false ? top : add('Shoulder', top, [0.04, hip + 0.47, 0]);
    arm = add('UpperArm', arm, start);
    for (let i = 1; i <= (options.twists ?? 0); i++) {
      const share = i / (options.twists! + 1);
      arm = add(`UpperArmTwist${i}`, arm, along(share * upperArm, -0.01 * share));
    }
    arm = add('LowerArm', arm, along(upperArm, -0.01));
    if (options.hands === false) continue;
    const hand = add('Hand', arm, along(upperArm + lowerArm));
    for (let f = 0; f < (options.fingers ?? 0); f++) {
      const wrist = upperArm + lowerArm;
      const isThumb = f === 0;
      let joint = hand;
      for (let k = 0; k < 3; k++) {
        const distance = isThumb ? wrist + 0.02 + 0.025 * k : wrist + 0.09 + 0.03 * k;
        const aside = isThumb ? 0.03 + 0.02 * k : 0.05 - 0.022 * f;
        const part = isThumb ? ['Metacarpal', 'Proximal', 'Distal'][k]! : ['Proximal', 'Intermediate', 'Distal'][k]!;
        joint = add(`${FINGER_NAMES[f]!}${part}`, joint, along(distance, aside));
      }
    }
  }
  return rows;
}

/** `biped({ thigh: 0.5, armsDown: 45 })`: the skeleton of `bipedRows`, with tips on head, toes or feet, and hands. */
export function biped(options: BipedOptions = {}): Skeleton {
  const rows = bipedRows(options);
  return skeletonFrom(rows, tipsOf(rows));
}

/** Tips for the leaves among head, feet or toes and hands or fingers, carrying on in the direction of the last bone. */
export function tipsOf(rows: readonly Row[]): Record<string, readonly [number, number, number]> {
  const tips: Record<string, readonly [number, number, number]> = {};
  const place = new Map(rows.map(([name, , at]) => [name, at]));
  for (const [name, parent, at] of rows) {
    if (parent === null || rows.some(([, p]) => p === name) || /lower(leg|arm)/i.test(name)) continue;
    const from = place.get(parent)!;
    const d = [at[0] - from[0], at[1] - from[1], at[2] - from[2]] as const;
    const length = Math.hypot(...d) || 1;
    const size = /head/i.test(name) ? 0.2 : 0.08;
    const isFoot = /foot/i.test(name);
    tips[name] = isFoot
      ? [at[0], at[1] - 0.06, at[2] + 0.14]
      : [at[0] + (size * d[0]) / length, at[1] + (size * d[1]) / length, at[2] + (size * d[2]) / length];
  }
  return tips;
}

/** Gives a row another parent. */
export function reparent(rows: readonly Row[], name: string, parent: string | null): Row[] {
  return parentsFirst(rows.map((row): Row => (row[0] === name ? [name, parent, row[2]] : row)));
}

/** Rows in an order that has every parent before its children. */
export function parentsFirst(rows: readonly Row[]): Row[] {
  const done = new Set<string | null>([null]);
  const open = [...rows];
  const sorted: Row[] = [];
  while (open.length > 0) {
    const next = open.findIndex(([, parent]) => done.has(parent));
    if (next < 0) throw new Error(`Rows without a way to a root: ${open.map(([name]) => name).join(', ')}`);
    const [row] = open.splice(next, 1);
    done.add(row![0]);
    sorted.push(row!);
  }
  return sorted;
}

/** Takes rows out; their children move up to the parent. */
export function removeRows(rows: readonly Row[], names: readonly string[]): Row[] {
  const parentOf = new Map(rows.map(([name, parent]) => [name, parent]));
  const upTo = (name: string | null): string | null =>
    name !== null && names.includes(name) ? upTo(parentOf.get(name) ?? null) : name;
  return rows.filter(([name]) => !names.includes(name)).map(([name, parent, at]): Row => [name, upTo(parent), at]);
}
