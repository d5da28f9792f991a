import type { GltfContainer } from '../../src/formats/gltf/container.ts';
import { bindNodes, fromNodeRotation, fromNodeTranslation } from '../../src/formats/gltf/node-binding.ts';
import { documentOf, nodeName, readNodes } from '../../src/formats/gltf/nodes.ts';
import type { AnimationTarget } from '../../src/formats/gltf/write-animation.ts';
import { axisAngleQuat, mulQuat, normalizeQuat } from '../../src/math/quat.ts';
import { type Clip, createClip } from '../../src/skeleton/clip.ts';
import type { Skeleton } from '../../src/skeleton/skeleton.ts';

/**
 * The joints of all skins of a file, with the nodes between them, at node rest; without a skin every node. Simpler than
 * the reader, so that a test of the writer does not depend on how the reader chooses joints and reference pose.
 */
export function targetOf(container: GltfContainer): AnimationTarget {
  const document = documentOf(container);
  const tree = readNodes(container);
  const isJoint = new Set((document.skins ?? []).flatMap((skin) => skin.joints));
  if (isJoint.size === 0) for (let i = 0; i < tree.count; i++) isJoint.add(i);
  for (const joint of [...isJoint]) {
    const path: number[] = [];
    for (let i = tree.parents[joint]!; i >= 0; i = tree.parents[i]!) {
      if (isJoint.has(i)) for (const between of path) isJoint.add(between);
      path.push(i);
    }
  }
  const nodes = Int32Array.from([...tree.order].filter((i) => isJoint.has(i)));
  const parents = Int16Array.from(nodes, (i) => nodes.indexOf(tree.parents[i]!));
  const jointCount = nodes.length;
  const subtreeEnd = Int16Array.from(nodes, (_, j) => j + 1);
  for (let j = jointCount - 1; j >= 0; j--) {
    const p = parents[j]!;
    if (p >= 0) subtreeEnd[p] = Math.max(subtreeEnd[p]!, subtreeEnd[j]!);
  }
  const binding = bindNodes(tree, nodes, parents);
  const restRotations = new Float64Array(jointCount * 4);
  const restTranslations = new Float64Array(jointCount * 3);
  for (let j = 0; j < jointCount; j++) {
    fromNodeRotation(binding, j, tree.rotations, nodes[j]! * 4, restRotations, j * 4);
    fromNodeTranslation(binding, j, tree.translations, nodes[j]! * 3, restTranslations, j * 3);
  }
  const names = Array.from(nodes, (i) => nodeName(document.nodes![i]!, i));
  const skeleton: Skeleton = { jointCount, names, parents, subtreeEnd, restRotations, restTranslations, tips: [] };
  return { name: container.name, container, skeleton, binding, nodes: tree };
}

/** Smooth motion from a seed: every joint swings about axes of its own, roots travel, some joints hold still. */
export function swingClip(skeleton: Skeleton, frameCount: number, seed: number, frameDuration = 1 / 60): Clip {
  const random = randomFrom(seed);
  const { jointCount } = skeleton;
  const roots = Array.from({ length: jointCount }, (_, j) => j).filter((j) => skeleton.parents[j]! < 0);
  const size = Math.max(...skeleton.restTranslations.map(Math.abs)) || 1;
  const clip = createClip('swing', frameCount, frameDuration, jointCount, roots);
  const turn = new Float64Array(4);
  for (let j = 0; j < jointCount; j++) {
    const [x, y, z] = unit(random);
    const [u, v, w] = unit(random);
    const isStill = random() < 0.3;
    const [reach, speed, phase] = [0.1 + random(), 1 + 4 * random(), 6 * random()];
    for (let f = 0; f < frameCount; f++) {
      const t = isStill ? 0 : f * frameDuration;
      const local = skeleton.restRotations.slice(j * 4, j * 4 + 4);
      axisAngleQuat(turn, 0, x, y, z, isStill ? 0 : reach * Math.sin(speed * t + phase));
      mulQuat(local, 0, local, 0, turn, 0);
      axisAngleQuat(turn, 0, u, v, w, isStill ? 0 : 0.3 * Math.sin(2.3 * speed * t));
      mulQuat(local, 0, local, 0, turn, 0);
      normalizeQuat(local, 0);
      clip.rotations.set(local, (f * jointCount + j) * 4);
    }
  }
  roots.forEach((j, m) => {
    for (let f = 0; f < frameCount; f++) {
      const t = f * frameDuration;
      for (let k = 0; k < 3; k++) {
        clip.translations[(f * roots.length + m) * 3 + k] =
          skeleton.restTranslations[j * 3 + k]! + size * 0.3 * Math.sin((k + 1) * t + m);
      }
    }
  });
  return clip;
}

function unit(random: () => number): [number, number, number] {
  const z = 2 * random() - 1;
  const angle = 2 * Math.PI * random();
  const r = Math.sqrt(1 - z * z);
  return [r * Math.cos(angle), r * Math.sin(angle), z];
}

/** Numbers from 0 to 1 (mulberry32). */
export function randomFrom(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = state;
    t = Math.imul(t ^ (t >>> 15), t | 1);
    t ^= t + Math.imul(t ^ (t >>> 7), t | 61);
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
}
