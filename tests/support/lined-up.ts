import { copyQuat, mulInverseQuat, rotateVecInverse, rotationBetween } from '../../src/math/quat.ts';
import { type Clip, createClip } from '../../src/skeleton/clip.ts';
import { childrenOf, restWorldPose, type Skeleton } from '../../src/skeleton/skeleton.ts';

/**
 * The same body with a zero pose that is no posture: below each joint with several children all bones lie along +X, as
 * some capture programs write them. The clip holds the former rest pose in all its frames.
 */
export function lineUp(skeleton: Skeleton, frameCount = 24): { skeleton: Skeleton; clip: Clip } {
  const { jointCount, parents } = skeleton;
  const pose = restWorldPose(skeleton);
  // World rotation of each joint that turns +X along its only bone.
  const world = new Float64Array(jointCount * 4);
  for (let j = 0; j < jointCount; j++) {
    const children = childrenOf(skeleton, j);
    const bone = Float64Array.of(1, 0, 0);
    if (children.length === 1) {
      for (let k = 0; k < 3; k++) bone[k] = pose.positions[children[0]! * 3 + k]! - pose.positions[j * 3 + k]!;
    }
    rotationBetween(world, j * 4, Float64Array.of(1, 0, 0), 0, bone, 0);
  }
  const restTranslations = skeleton.restTranslations.slice();
  const restRotations = new Float64Array(jointCount * 4);
  const clip = createClip('lined up', frameCount, 1 / 30, jointCount, []);
  const local = new Float64Array(4);
  for (let j = 0; j < jointCount; j++) {
    restRotations[j * 4 + 3] = 1;
    const p = parents[j]!;
    if (p >= 0) {
      const bone = Float64Array.from([0, 1, 2], (k) => pose.positions[j * 3 + k]! - pose.positions[p * 3 + k]!);
      rotateVecInverse(restTranslations, j * 3, world, p * 4, bone, 0);
      mulInverseQuat(local, 0, world, p * 4, world, j * 4);
    } else copyQuat(local, 0, world, j * 4);
    for (let f = 0; f < frameCount; f++) clip.rotations.set(local, (f * jointCount + j) * 4);
  }
  const tips = skeleton.tips.map((tip) => ({ ...tip, offset: [Math.hypot(...tip.offset), 0, 0] as const }));
  return { skeleton: { ...skeleton, restRotations, restTranslations, tips }, clip };
}
