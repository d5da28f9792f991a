import type { GLTF } from '@gltf-transform/core';
import { RigproofError } from '../../errors.ts';
import { invertQuat, mulInverseQuat, mulQuat, rotateVec } from '../../math/quat.ts';
import { addVec, subVec } from '../../math/vec.ts';
import { type Clip, framePose, restLocalPose } from '../../skeleton/clip.ts';
import { createWorldPose, type Skeleton } from '../../skeleton/skeleton.ts';
import { appendAsGlb, type WrittenGltf } from './append-animation.ts';
import { parseContainer } from './container.ts';
import { AnimationEncoder, ENCODE_DEFAULTS, type EncodedAnimation, type EncodeOptions } from './encode-animation.ts';
import { openKeyWork } from './key-kernel.ts';

/** A humanoid in world space: metres, Y up, facing +Z. */
export interface HumanoidFigure {
  name: string;
  skeleton: Skeleton;
  /** World rotation of each joint in the T-pose, xyzw, jointCount × 4. */
  posture: Float64Array;
  /** Joint index by humanoid bone name of VRM 1.0. */
  roles: Readonly<Partial<Record<string, number>>>;
  /** The bone above each in the standard, null for the hips; parents before children. */
  parentRoles: Readonly<Record<string, string | null>>;
}

/**
 * The format leaves the eyes to its own look-at, and does not list them among the bones that may be animated
 * (VRMC_vrm_animation-1.0, humanoid; from memory of the standard).
 */
const NOT_ANIMATED = new Set(['leftEye', 'rightEye']);

/**
 * Clips as a VRM animation (VRMC_vrm_animation 1.0, .vrma): a .glb with one node a humanoid bone, in the hierarchy of the
 * standard, at rest in the T-pose, and an animation of the rotations of all bones and the translation of the hips.
 *
 * All nodes have the identity as rest rotation, so the keys are the normalised local rotations of the standard and any
 * skeleton in between (twist joints, a spine of more joints) is folded into its bones. World rotations of all bones are
 * those of the clip.
 *
 * @param clips  in world space, on the figure's skeleton; players take the first
 * @param options  translation tolerance in metres
 * @throws RigproofError `VRMA_NO_HIPS`, `VRMA_CLIP_JOINTS`, `GLTF_TOLERANCE`
 */
export function writeVrmAnimation(
  figure: HumanoidFigure,
  clips: readonly Clip[],
  options: Partial<EncodeOptions> = {},
): WrittenGltf {
  const { skeleton, roles, parentRoles } = figure;
  if (roles.hips === undefined) {
    throw new RigproofError(
      'VRMA_NO_HIPS',
      'No joint is paired with the hips, which a VRM animation is built on.',
      { file: figure.name },
      { hint: 'Pair the hips by hand in the mapping file.' },
    );
  }
  for (const clip of clips) {
    if (clip.jointCount === skeleton.jointCount && clip.frameCount > 0) continue;
    throw new RigproofError(
      'VRMA_CLIP_JOINTS',
      `Clip "${clip.name}" has ${clip.frameCount} frames of ${clip.jointCount} joints; expected at least one, of ${skeleton.jointCount}.`,
      { file: figure.name },
      { hint: 'Retarget the clip onto this character first.' },
    );
  }
  const bones: { role: string; joint: number; parent: number }[] = [];
  for (const role of Object.keys(parentRoles)) {
    const joint = roles[role];
    if (joint === undefined || NOT_ANIMATED.has(role)) continue;
    let above = parentRoles[role]!;
    while (above !== null && (roles[above] === undefined || NOT_ANIMATED.has(above))) above = parentRoles[above]!;
    bones.push({ role, joint, parent: bones.findIndex((bone) => bone.role === above) });
  }
  const rest = posturePositions(skeleton, figure.posture);
  const nodes = bones.map(({ role, joint, parent }, i) => {
    const translation = new Float64Array(3);
    if (parent < 0) addVec(translation, 0, translation, 0, rest, joint * 3);
    else subVec(translation, 0, rest, joint * 3, rest, bones[parent]!.joint * 3);
    const node: GLTF.INode = { name: role, translation: Array.from(translation) as [number, number, number] };
    const children = bones.flatMap((bone, k) => (bone.parent === i ? [k] : []));
    if (children.length > 0) node.children = children;
    return node;
  });
  const document = {
    asset: { version: '2.0', generator: 'rigproof' },
    extensionsUsed: ['VRMC_vrm_animation'],
    extensions: {
      VRMC_vrm_animation: {
        specVersion: '1.0',
        humanoid: { humanBones: Object.fromEntries(bones.map(({ role }, node) => [role, { node }])) },
      },
    },
    scene: 0,
    scenes: [{ nodes: bones.flatMap(({ parent }, node) => (parent < 0 ? [node] : [])) }],
    nodes,
  };
  const settings = { ...ENCODE_DEFAULTS, ...options };
  const animations = clips.map((clip) => encodeBones(figure, clip, bones, rest, settings));
  const empty = parseContainer(new TextEncoder().encode(JSON.stringify(document)), figure.name);
  return appendAsGlb(empty, animations);
}

/**
 * The normalised local rotation of the VRM animation standard ('how to transform human pose'): what the local rotation
 * would be if every joint's rest rotation were the identity.
 *
 * normalised = W(parent) · local · W(joint)⁻¹, with W the world rotation at rest (T-pose).
 *
 * @param out        overwritten; may be any of the inputs
 * @param parentRest world rest rotation of the parent, at `p`
 * @param local      local rotation, at `l`
 * @param rest       world rest rotation of the joint itself, at `r`
 */
export function toNormalisedLocal(
  out: Float64Array,
  o: number,
  parentRest: Float64Array,
  p: number,
  local: Float64Array,
  l: number,
  rest: Float64Array,
  r: number,
): void {
  const back = new Float64Array(4);
  invertQuat(back, 0, rest, r);
  mulQuat(out, o, parentRest, p, local, l);
  mulQuat(out, o, out, o, back, 0);
}

/** The reverse on any skeleton: local = W(parent)⁻¹ · normalised · W(joint). `out` may be `normalised`. */
export function fromNormalisedLocal(
  out: Float64Array,
  o: number,
  parentRest: Float64Array,
  p: number,
  normalised: Float64Array,
  n: number,
  rest: Float64Array,
  r: number,
): void {
  mulInverseQuat(out, o, parentRest, p, normalised, n);
  mulQuat(out, o, out, o, rest, r);
}

/** World positions of all joints when each has its world rotation of the posture; roots where they rest. */
function posturePositions(skeleton: Skeleton, posture: Float64Array): Float64Array {
  const positions = skeleton.restTranslations.slice();
  for (let j = 0; j < skeleton.jointCount; j++) {
    const parent = skeleton.parents[j]!;
    if (parent < 0) continue;
    rotateVec(positions, j * 3, posture, parent * 4, positions, j * 3);
    addVec(positions, j * 3, positions, j * 3, positions, parent * 3);
  }
  return positions;
}

function encodeBones(
  { skeleton, posture }: HumanoidFigure,
  clip: Clip,
  bones: readonly { joint: number; parent: number }[],
  rest: Float64Array,
  settings: EncodeOptions,
): EncodedAnimation {
  const { frameCount } = clip;
  const scratch = restLocalPose(skeleton);
  const pose = createWorldPose(skeleton.jointCount);
  const rotations = bones.map(() => new Float64Array(frameCount * 4));
  const hips = new Float64Array(frameCount * 3);
  const hipsNode = bones.findIndex(({ parent }) => parent < 0);
  const hipsJoint = bones[hipsNode]!.joint;
  /** World rotation of each bone away from the T-pose: its normalised world rotation. */
  const turns = new Float64Array(bones.length * 4);
  const back = new Float64Array(4);
  for (let f = 0; f < frameCount; f++) {
    framePose(skeleton, clip, f, scratch, pose);
    for (let b = 0; b < bones.length; b++) {
      const { joint, parent } = bones[b]!;
      invertQuat(back, 0, posture, joint * 4);
      mulQuat(turns, b * 4, pose.rotations, joint * 4, back, 0);
      const out = rotations[b]!;
      const at = f * 4;
      if (parent < 0) out.set(turns.subarray(b * 4, b * 4 + 4), at);
      else mulInverseQuat(out, at, turns, parent * 4, turns, b * 4);
      const length = Math.hypot(out[at]!, out[at + 1]!, out[at + 2]!, out[at + 3]!);
      let dot = 1;
      if (f > 0) dot = [0, 1, 2, 3].reduce((sum, k) => sum + out[at + k]! * out[at - 4 + k]!, 0);
      for (let k = 0; k < 4; k++) out[at + k]! /= dot < 0 ? -length : length;
    }
    hips.set(pose.positions.subarray(hipsJoint * 3, hipsJoint * 3 + 3), f * 3);
  }
  const encoder = new AnimationEncoder(frameCount, clip.frameDuration, settings, openKeyWork(clip));
  for (let node = 0; node < bones.length; node++) {
    encoder.add({
      node,
      path: 'rotation',
      values: rotations[node]!,
      rest: [0, 0, 0, 1],
      restAt: 0,
      tolerance: settings.rotationTolerance,
    });
  }
  encoder.add({
    node: hipsNode,
    path: 'translation',
    values: hips,
    rest,
    restAt: hipsJoint * 3,
    tolerance: settings.translationTolerance,
  });
  return encoder.finish(clip.name);
}
