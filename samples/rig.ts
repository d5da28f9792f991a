/** A rig as a glTF document: joints, one skinned mesh, optionally props on joints. */
import { Document, type Document as GltfDocument, type Node, type Primitive } from '@gltf-transform/core';
import { conjugate, IDENTITY, multiply, type Quat, rotate, scale, sub, type Vec } from './math.ts';
import type { Shell } from './shapes.ts';

export interface Joint {
  /** What the maker calls it; `name` is what the file says. */
  key: string;
  name: string;
  /** Key of the parent; null below the armature. */
  parent: string | null;
  /** World, metres. */
  position: Vec;
  /** World. */
  rotation: Quat;
  /** Left out of the skin: a leaf that only marks a place. */
  marker?: boolean;
}

export interface Rig {
  name: string;
  joints: Joint[];
  shell: Shell;
  /** The node above all joints. */
  armature: { name: string; rotation: Quat; scale: number };
  /** Unskinned pieces, in world space, carried by a joint. */
  props: { name: string; joint: string; shell: Shell }[];
}

/** Six decimals: below a micrometre, and the same bytes on every machine. */
export const round = (x: number): number => Math.round(x * 1e6) / 1e6 + 0;

const srgbToLinear = (c: number): number => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);

/** Vertices carry at most four influences, largest first; the float32 values sum to 1 within 1e-7. */
export function packWeights(
  shell: Shell,
  indexOf: ReadonlyMap<string, number>,
): { joints: Uint8Array; weights: Float32Array } {
  const joints = new Uint8Array(shell.positions.length * 4);
  const weights = new Float32Array(shell.positions.length * 4);
  shell.weights.forEach((byJoint, v) => {
    const sorted = [...byJoint]
      .filter(([, w]) => w > 1e-4)
      .sort((a, b) => b[1] - a[1])
      .slice(0, 4);
    const sum = sorted.reduce((total, [, w]) => total + w, 0);
    let rest = 1;
    for (let i = sorted.length - 1; i >= 0; i--) {
      const [key, w] = sorted[i]!;
      const index = indexOf.get(key);
      if (index === undefined) throw new Error(`weights name the joint ${key}, which the rig does not have`);
      joints[v * 4 + i] = index;
      // The largest takes what the rounded others leave.
      weights[v * 4 + i] = i === 0 ? rest : round(w / sum);
      rest -= weights[v * 4 + i]!;
    }
  });
  return { joints, weights };
}

export function toDocument(rig: Rig): GltfDocument {
  const document = new Document();
  const buffer = document.createBuffer();
  const scene = document.createScene(rig.name);
  document.getRoot().setDefaultScene(scene);
  const material = document.createMaterial('cloth and skin').setRoughnessFactor(0.85).setMetallicFactor(0);
  const { armature } = rig;
  const armatureNode = document
    .createNode(armature.name)
    .setRotation([...armature.rotation])
    .setScale([armature.scale, armature.scale, armature.scale]);
  scene.addChild(armatureNode);

  const nodes = new Map<string, Node>();
  const byKey = new Map(rig.joints.map((joint) => [joint.key, joint]));
  for (const joint of rig.joints) {
    const parent = joint.parent === null ? null : byKey.get(joint.parent)!;
    const parentRotation = parent?.rotation ?? armature.rotation;
    const offset = scale(
      rotate(conjugate(parentRotation), sub(joint.position, parent?.position ?? [0, 0, 0])),
      1 / armature.scale,
    );
    const node = document
      .createNode(joint.name)
      .setTranslation([round(offset[0]), round(offset[1]), round(offset[2])])
      .setRotation([...multiply(conjugate(parentRotation), joint.rotation)]);
    (parent ? nodes.get(parent.key)! : armatureNode).addChild(node);
    nodes.set(joint.key, node);
  }

  const skinned = rig.joints.filter((joint) => !joint.marker);
  const skin = document.createSkin(rig.name);
  const inverseBind = new Float32Array(skinned.length * 16);
  skinned.forEach((joint, i) => {
    skin.addJoint(nodes.get(joint.key)!);
    inverseBind.set(inverseOf(joint.rotation, joint.position, armature.scale), i * 16);
  });
  skin.setInverseBindMatrices(document.createAccessor().setType('MAT4').setArray(inverseBind).setBuffer(buffer));

  const primitive = surface(document, rig.shell).setMaterial(material);
  const packed = packWeights(rig.shell, new Map(skinned.map((joint, i) => [joint.key, i])));
  primitive.setAttribute(
    'JOINTS_0',
    document.createAccessor().setType('VEC4').setArray(packed.joints).setBuffer(buffer),
  );
  primitive.setAttribute(
    'WEIGHTS_0',
    document.createAccessor().setType('VEC4').setArray(packed.weights).setBuffer(buffer),
  );
  const body = document.createMesh(`${rig.name}_body`).addPrimitive(primitive);
  scene.addChild(document.createNode(`${rig.name}_body`).setMesh(body).setSkin(skin));

  for (const prop of rig.props) {
    const joint = byKey.get(prop.joint)!;
    const mesh = document
      .createMesh(prop.name)
      .addPrimitive(surface(document, prop.shell, joint, armature.scale).setMaterial(material));
    nodes.get(prop.joint)!.addChild(document.createNode(prop.name).setMesh(mesh));
  }
  return document;
}

/** Positions, normals, colours and indices; in the joint's frame when one is given. */
function surface(document: GltfDocument, shell: Shell, joint?: Joint, unit = 1): Primitive {
  const buffer = document.getRoot().listBuffers()[0]!;
  const inverse = joint ? conjugate(joint.rotation) : IDENTITY;
  const place = (p: Vec): Vec => (joint ? scale(rotate(inverse, sub(p, joint.position)), 1 / unit) : p);
  const positions = Float32Array.from(shell.positions.flatMap((p) => place(p).map(round)));
  const normals = Float32Array.from(shell.normals().flatMap((n) => [...rotate(inverse, n)]));
  const colours = Uint8Array.from(
    shell.colours.flatMap((hex) => [
      ...[16, 8, 0].map((shift) => Math.round(srgbToLinear(((hex >> shift) & 255) / 255) * 255)),
      255,
    ]),
  );
  const accessor = (type: 'VEC3' | 'VEC4' | 'SCALAR', array: Float32Array | Uint8Array | Uint16Array) =>
    document
      .createAccessor()
      .setType(type)
      .setArray(array as Float32Array<ArrayBuffer>)
      .setBuffer(buffer);
  return document
    .createPrimitive()
    .setAttribute('POSITION', accessor('VEC3', positions))
    .setAttribute('NORMAL', accessor('VEC3', normals))
    .setAttribute('COLOR_0', accessor('VEC4', colours).setNormalized(true))
    .setIndices(accessor('SCALAR', Uint16Array.from(shell.triangles)));
}

/** Column-major inverse of translation · rotation · uniform scale. */
function inverseOf(rotation: Quat, position: Vec, unit: number): number[] {
  const back = conjugate(rotation);
  const columns = (
    [
      [1, 0, 0],
      [0, 1, 0],
      [0, 0, 1],
    ] as const
  ).map((axis) => scale(rotate(back, axis), 1 / unit));
  const offset = scale(rotate(back, position), -1 / unit);
  return [...columns.flatMap((column) => [...column, 0]), ...offset, 1];
}
