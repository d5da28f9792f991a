import { rotateVecInverse } from '../math/quat.ts';
import { addVec, dotVec, normalizeVec, subVec } from '../math/vec.ts';
import { type RoleMap, sidedRole } from '../pairing/roles.ts';
import { LIMB_PARTS, LIMBS } from '../skeleton/limb.ts';
import { restWorldPose, type Skeleton, type Tip } from '../skeleton/skeleton.ts';
import { type SkinMesh, skinVertices } from '../skeleton/skin.ts';

/** A vertex belongs to a segment that moves it by more than this. */
const OWNED = 0.5;
/** Fewer vertices are no limb. */
const ENOUGH = 4;

/**
 * Gives a limb that ends in a bare segment (no hand or foot joint, no tip) a tip where its mesh ends: in the middle of the
 * far end of what the segment moves, along the line of the segment above it. Such limbs are common on blocky characters.
 * The skeleton is returned as it is when every limb has an end.
 * @param skeleton, skins  world space, reference pose
 */
export function withMeshTips(skeleton: Skeleton, roles: RoleMap, skins: readonly SkinMesh[]): Skeleton {
  const pose = restWorldPose(skeleton);
  const added: Tip[] = [];
  for (const limb of LIMBS) {
    const { side, upper, lower, end } = LIMB_PARTS[limb];
    const joint = roles[sidedRole(side, lower)];
    const above = roles[sidedRole(side, upper)];
    if (joint === undefined || above === undefined || roles[sidedRole(side, end)] !== undefined) continue;
    const isLeaf = skeleton.subtreeEnd[joint] === joint + 1 && !skeleton.tips.some((tip) => tip.joint === joint);
    if (!isLeaf) continue;
    const line = new Float64Array(3);
    subVec(line, 0, pose.positions, joint * 3, pose.positions, above * 3);
    if (normalizeVec(line, 0) === 0) continue;
    const reach = farEnd(skeleton, skins, joint, line);
    if (reach === null) continue;
    const offset = new Float64Array(3);
    for (let k = 0; k < 3; k++) offset[k] = line[k]! * reach;
    rotateVecInverse(offset, 0, pose.rotations, joint * 4, offset, 0);
    added.push({ joint, offset: [offset[0]!, offset[1]!, offset[2]!] });
  }
  return added.length === 0 ? skeleton : { ...skeleton, tips: [...skeleton.tips, ...added] };
}

/** How far what a joint moves reaches along a line from it, metres; null when it moves nothing. */
function farEnd(skeleton: Skeleton, skins: readonly SkinMesh[], joint: number, line: Float64Array): number | null {
  const pose = restWorldPose(skeleton);
  const from = new Float64Array(3);
  addVec(from, 0, pose.positions, joint * 3, from, 0);
  let far = 0;
  let owned = 0;
  const away = new Float64Array(3);
  for (const skin of skins) {
    const vertices = new Float64Array(skin.vertexCount * 3);
    skinVertices(skin, pose, vertices, new Float64Array(skin.bind.length));
    for (let v = 0; v < skin.vertexCount; v++) {
      let weight = 0;
      for (let i = v * skin.influences; i < (v + 1) * skin.influences; i++) {
        if (skin.joints[i] === joint) weight += skin.weights[i]!;
      }
      if (weight <= OWNED) continue;
      owned++;
      subVec(away, 0, vertices, v * 3, from, 0);
      far = Math.max(far, dotVec(away, 0, line, 0));
    }
  }
  return owned >= ENOUGH && far > 0 ? far : null;
}
