import * as THREE from 'three';
import {
  LIMB_PARTS,
  LIMBS,
  type Role,
  type RoleMap,
  restWorldPose,
  type Skeleton,
  type WorldPose,
} from '../../src/index.ts';
import type { Colours } from './colours.ts';

interface Side {
  skeleton: Skeleton;
  roles: RoleMap;
  pose: WorldPose;
}

/** Lines from where hands and feet are to where the performer's are, seen from shoulder and hip and scaled to the limb. */
export class ErrorLines {
  readonly lines = new THREE.LineSegments(
    new THREE.BufferGeometry(),
    new THREE.LineBasicMaterial({ depthTest: false }),
  );
  private readonly points = new THREE.BufferAttribute(new Float32Array(LIMBS.length * 6), 3);

  constructor() {
    this.lines.geometry.setAttribute('position', this.points);
    this.lines.frustumCulled = false;
    this.lines.renderOrder = 10;
  }

  set(source: Side, target: Side, colours: Colours): void {
    (this.lines.material as THREE.LineBasicMaterial).color.set(colours.mark);
    let count = 0;
    for (const limb of LIMBS) {
      const { side, upper, lower, end } = LIMB_PARTS[limb];
      const chain = [upper, lower, end].map((part) => `${side}${part}` as Role);
      const from = chain.map((role) => source.roles[role]);
      const to = chain.map((role) => target.roles[role]);
      if (from.includes(undefined) || to.includes(undefined)) continue;
      const ratio = lengthOf(target.skeleton, to as number[]) / lengthOf(source.skeleton, from as number[]);
      for (let k = 0; k < 3; k++) {
        const root = target.pose.positions[to[0]! * 3 + k]!;
        const reach = source.pose.positions[from[2]! * 3 + k]! - source.pose.positions[from[0]! * 3 + k]!;
        this.points.array[count * 6 + k] = target.pose.positions[to[2]! * 3 + k]!;
        this.points.array[count * 6 + 3 + k] = root + ratio * reach;
      }
      count++;
    }
    this.lines.geometry.setDrawRange(0, count * 2);
    this.points.needsUpdate = true;
  }
}

const lengths = new WeakMap<Skeleton, Map<number, number>>();

/** Length of a limb at rest, from its first joint over the second to the third. */
function lengthOf(skeleton: Skeleton, chain: readonly number[]): number {
  const known = lengths.get(skeleton) ?? new Map<number, number>();
  lengths.set(skeleton, known);
  const found = known.get(chain[0]!);
  if (found !== undefined) return found;
  const { positions } = restWorldPose(skeleton);
  let length = 0;
  for (let i = 0; i < 2; i++) {
    const a = chain[i]! * 3;
    const b = chain[i + 1]! * 3;
    length += Math.hypot(
      positions[a]! - positions[b]!,
      positions[a + 1]! - positions[b + 1]!,
      positions[a + 2]! - positions[b + 2]!,
    );
  }
  known.set(chain[0]!, length);
  return length;
}
