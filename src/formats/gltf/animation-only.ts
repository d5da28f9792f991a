import type { GLTF } from '@gltf-transform/core';
import type { Clip } from '../../skeleton/clip.ts';
import { appendAsGlb, type WrittenGltf } from './append-animation.ts';
import { parseContainer } from './container.ts';
import { documentOf } from './nodes.ts';
import { type AnimationTarget, encodeClip, type WriteOptions } from './write-animation.ts';

/**
 * Clips alone, as a .glb: the character's joints and the nodes above them with their names, transforms and extras, and the
 * animations. No mesh, skin, material or texture. Animations that the character's file brought are left behind.
 *
 * @throws RigproofError as `writeAnimatedGlb`
 */
export function writeAnimationOnly(
  character: AnimationTarget,
  clips: readonly Clip[],
  options: WriteOptions = {},
): WrittenGltf {
  const animations = clips.map((clip) => encodeClip(character, clip, options));
  const source = documentOf(character.container);
  const tree = character.nodes;

  const isKept = new Uint8Array(tree.count);
  for (const node of character.binding.nodes) {
    for (let i = node; i >= 0 && isKept[i] === 0; i = tree.parents[i]!) isKept[i] = 1;
  }
  // Kept nodes keep their order, so that a reader which goes by index meets them as before.
  const kept = Array.from(isKept.keys()).filter((i) => isKept[i] === 1);
  const newIndex = new Int32Array(tree.count).fill(-1);
  kept.forEach((i, k) => {
    newIndex[i] = k;
  });
  const animated = new Set(animations.flatMap(({ channels }) => channels.map(({ node }) => node)));
  const nodes = kept.map((i) => {
    const { name, children, matrix, translation, rotation, scale, extras } = source.nodes![i]!;
    const node: GLTF.INode = { name, translation, rotation, scale, extras };
    const below = (children ?? []).map((child) => newIndex[child]!).filter((child) => child >= 0);
    if (below.length > 0) node.children = below;
    if (matrix && animated.has(i)) {
      node.translation = [tree.translations[i * 3]!, tree.translations[i * 3 + 1]!, tree.translations[i * 3 + 2]!];
      node.rotation = [0, 1, 2, 3].map((k) => tree.rotations[i * 4 + k]!) as GLTF.INode['rotation'];
      node.scale = [tree.scales[i * 3]!, tree.scales[i * 3 + 1]!, tree.scales[i * 3 + 2]!];
    } else if (matrix) node.matrix = matrix;
    return node;
  });
  const document = {
    asset: { version: '2.0', generator: 'rigproof' },
    scene: 0,
    scenes: [{ nodes: kept.filter((i) => tree.parents[i]! < 0).map((i) => newIndex[i]) }],
    nodes,
  };
  for (const animation of animations) {
    animation.channels = animation.channels.map((channel) => ({ ...channel, node: newIndex[channel.node]! }));
  }
  const empty = parseContainer(new TextEncoder().encode(JSON.stringify(document)), character.name);
  return appendAsGlb(empty, animations);
}
