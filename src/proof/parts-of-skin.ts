import { ROLES, type Role } from '../pairing/roles.ts';
import type { SkinMesh } from '../skeleton/skin.ts';
import type { Build } from './build.ts';

/**
 * The part of the body that each joint belongs to: that of its role, or of the nearest joint above that has one; -1 for none.
 * @param partOf  number of the part that a role belongs to, 0 or more
 */
export function partsOfJoints({ figure: { skeleton, roles } }: Build, partOf: (role: Role) => number): Int16Array {
  const result = new Int16Array(skeleton.jointCount).fill(-1);
  for (const role of ROLES) {
    const joint = roles[role];
    if (joint !== undefined) result[joint] = partOf(role);
  }
  for (let j = 0; j < skeleton.jointCount; j++)
    if (result[j] === -1 && skeleton.parents[j]! >= 0) result[j] = result[skeleton.parents[j]!]!;
  return result;
}

/** The part that moves each vertex most; -1 where none does. */
export function partsOfVertices(skin: SkinMesh, partOfJoint: Int16Array, partCount: number): Int16Array {
  const { vertexCount, influences, joints, weights } = skin;
  const result = new Int16Array(vertexCount).fill(-1);
  const sums = new Float64Array(partCount);
  for (let v = 0; v < vertexCount; v++) {
    sums.fill(0);
    let best = -1;
    for (let i = v * influences; i < (v + 1) * influences; i++) {
      const part = partOfJoint[joints[i]!] ?? -1;
      if (part < 0 || weights[i]! <= 0) continue;
      sums[part]! += weights[i]!;
      if (best < 0 || sums[part]! > sums[best]!) best = part;
    }
    result[v] = best;
  }
  return result;
}
