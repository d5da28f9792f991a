import {
  type Clip,
  createWorldPose,
  framePose,
  type LocalPose,
  type RoleMap,
  restLocalPose,
  restWorldPose,
  rotateVec,
  type Skeleton,
  sideOf,
  type WorldPose,
} from '../../src/index.ts';
import type { MotionData } from '../worker/protocol.ts';

/** World poses of one figure for display, frame after frame, without allocation. */
export interface Poser {
  readonly pose: WorldPose;
  frame(clip: Clip, f: number): void;
  rest(): void;
  canonical(): void;
  /** Joint positions in the canonical posture, jointCount × 3. */
  readonly canonicalPositions: Float64Array;
}

export type Carried = Pick<MotionData, 'carriers' | 'carrierOffsets'>;

/**
 * @param posture  world rotations of the canonical posture
 * @param carried  what carries each joint where that is not its parent: a foot that hangs from the root
 */
export function createPoser(skeleton: Skeleton, posture: Float64Array, carried?: Carried): Poser {
  const pose = createWorldPose(skeleton.jointCount);
  const scratch: LocalPose = restLocalPose(skeleton);
  const rest = restWorldPose(skeleton);
  const canonical = canonicalPositions(skeleton, posture, rest, carried);
  return {
    pose,
    canonicalPositions: canonical,
    frame: (clip, f) => framePose(skeleton, clip, f, scratch, pose),
    rest() {
      pose.rotations.set(rest.rotations);
      pose.positions.set(rest.positions);
    },
    canonical() {
      pose.rotations.set(posture);
      pose.positions.set(canonical);
    },
  };
}

/** Where the joints are when every one is turned as in the canonical posture, standing on the floor as at rest. */
function canonicalPositions(
  skeleton: Skeleton,
  posture: Float64Array,
  rest: WorldPose,
  carried?: Carried,
): Float64Array {
  const positions = rest.positions.slice();
  const done = new Uint8Array(skeleton.jointCount);
  const settle = (j: number): void => {
    if (done[j]) return;
    done[j] = 1;
    const parent = carried ? carried.carriers[j]! : skeleton.parents[j]!;
    if (parent < 0) return;
    settle(parent);
    const offsets = carried ? carried.carrierOffsets : skeleton.restTranslations;
    rotateVec(positions, j * 3, posture, parent * 4, offsets, j * 3);
    for (let k = 0; k < 3; k++) positions[j * 3 + k]! += positions[parent * 3 + k]!;
  };
  for (let j = 0; j < skeleton.jointCount; j++) settle(j);
  // Legs that are straightened lift or sink the body: the lowest point goes back to where it was.
  const lift = lowest(rest.positions) - lowest(positions);
  for (let j = 0; j < skeleton.jointCount; j++) positions[j * 3 + 1]! += lift;
  return positions;
}

function lowest(positions: Float64Array): number {
  let low = Number.POSITIVE_INFINITY;
  for (let i = 1; i < positions.length; i += 3) low = Math.min(low, positions[i]!);
  return low;
}

export type BodySide = 'left' | 'right' | 'middle';

/** The side of each joint: that of its role, or of the nearest joint above that has one. */
export function sidesOf(skeleton: Skeleton, roles: RoleMap): BodySide[] {
  const sides: BodySide[] = new Array(skeleton.jointCount).fill('middle');
  const own = new Map<number, BodySide>();
  for (const [role, joint] of Object.entries(roles)) {
    own.set(joint, sideOf(role as keyof RoleMap & string) ?? 'middle');
  }
  for (let j = 0; j < skeleton.jointCount; j++) {
    const parent = skeleton.parents[j]!;
    sides[j] = own.get(j) ?? (parent >= 0 ? sides[parent]! : 'middle');
  }
  return sides;
}
