import type { GLTF } from '@gltf-transform/core';
import { type Note, RigproofError } from '../../errors.ts';
import { invertAffine, mulAffine, rigidAffine } from '../../math/affine.ts';
import type { WorldPose } from '../../skeleton/skeleton.ts';
import type { SkinMesh } from '../../skeleton/skin.ts';
import { isCompressed, readAccessor } from './accessor.ts';
import type { GltfContainer } from './container.ts';
import type { DracoDecoder } from './draco.ts';
import type { NodeBinding } from './node-binding.ts';
import { documentOf, type NodeTree, nodeName } from './nodes.ts';
import type { SkinBinding } from './reference-pose.ts';

/** Vertices and triangles of one primitive, joints as the file counts them. */
interface Primitive {
  vertexCount: number;
  positions: Float64Array;
  triangles: Uint32Array;
  /** One entry a set of four. */
  joints: Float64Array[];
  weights: Float64Array[];
  /** Primitives with the same key share their vertices. */
  key: string;
  pointer: string;
}

/**
 * Meshes that joints move, one a mesh node: all triangles of its primitives (lists, strips, fans), bound to the
 * skeleton's joints. A mesh without skin below a joint is a rigid part: weight 1 on the nearest joint above it. Morph
 * targets are not applied.
 * @param nodeRest  world pose of the skeleton at node rest
 */
export function readSkins(
  container: GltfContainer,
  tree: NodeTree,
  binding: NodeBinding,
  jointOfNode: Int32Array,
  nodeRest: WorldPose,
  skinBindings: readonly SkinBinding[],
  inScene: Uint8Array,
  decoder: DracoDecoder | undefined,
  notes: Note[],
): SkinMesh[] {
  const { nodes = [], meshes = [] } = documentOf(container);
  const decoded = new Map<number, (Primitive | null)[]>();
  const skins: SkinMesh[] = [];
  for (const node of tree.order) {
    const { mesh, skin } = nodes[node]!;
    if (mesh === undefined || !inScene[node]) continue;
    let holder = node;
    while (holder >= 0 && jointOfNode[holder]! < 0) holder = tree.parents[holder]!;
    if (skin === undefined && holder < 0) continue; // part of the surroundings
    if (skin !== undefined && skinBindings[skin]!.joints.includes(-1)) {
      notes.push({
        code: 'GLTF_SKIN_OUTSIDE_SCENE',
        severity: 'warning',
        message: 'The mesh follows joints that are not in the scene that is shown: it is kept, but not measured.',
        place: { file: container.name, pointer: `/nodes/${node}/skin` },
      });
      continue;
    }
    let primitives = decoded.get(mesh);
    if (primitives === undefined) {
      primitives = meshes[mesh]!.primitives.map((primitive, p) =>
        readPrimitive(container, primitive, `/meshes/${mesh}/primitives/${p}`, decoder, notes),
      );
      decoded.set(mesh, primitives);
    }
    const usable = primitives.filter((primitive) => primitive !== null);
    if (usable.length === 0) continue;
    const name = nodeName(nodes[node]!, node);
    if (skin === undefined) {
      skins.push(rigidPart(name, usable, tree, binding, nodeRest, node, jointOfNode[holder]!));
    } else {
      skins.push(skinnedMesh(name, usable, container, binding, skinBindings[skin]!, notes));
    }
  }
  return skins;
}

function readPrimitive(
  container: GltfContainer,
  primitive: GLTF.IMeshPrimitive,
  pointer: string,
  decoder: DracoDecoder | undefined,
  notes: Note[],
): Primitive | null {
  const skip = (code: string, message: string): null => {
    const severity = code === 'GLTF_NOT_TRIANGLES' ? 'info' : 'warning';
    notes.push({ code, severity, message, place: { file: container.name, pointer } });
    return null;
  };
  const mode = primitive.mode ?? 4;
  if (mode < 4 || mode > 6) return skip('GLTF_NOT_TRIANGLES', 'Points and lines are not measured.');
  const { attributes } = primitive;
  if (attributes.POSITION === undefined) return skip('GLTF_NO_POSITIONS', 'The primitive has no positions.');
  const draco = primitive.extensions?.KHR_draco_mesh_compression as
    | { bufferView?: unknown; attributes?: { [name: string]: number } }
    | undefined;
  const used = [attributes.POSITION, primitive.indices].filter((index) => index !== undefined);
  if (!draco && used.some((index) => isCompressed(container, index))) {
    return skip(
      'GLTF_COMPRESSED',
      'The mesh is stored with mesh-optimiser compression, which is not decoded here: it is kept, but not measured.',
    );
  }
  let read: (name: string, type: 'VEC3' | 'VEC4') => Float64Array | undefined;
  let order: Uint32Array;
  if (draco) {
    if (!decoder) {
      return skip(
        'GLTF_DRACO_SKIPPED',
        'The mesh is Draco compressed and no decoder was given: it is kept, not measured.',
      );
    }
    const mesh = decodeDraco(container, draco, decoder, pointer);
    read = (name) => mesh.attributes[name];
    order = mesh.indices;
  } else {
    read = (name, type) =>
      attributes[name] === undefined
        ? undefined
        : readAccessor(container, attributes[name], type, `${pointer}/attributes/${name}`);
    order =
      primitive.indices === undefined
        ? Uint32Array.from({ length: documentOf(container).accessors![attributes.POSITION]!.count }, (_, i) => i)
        : Uint32Array.from(readAccessor(container, primitive.indices, 'SCALAR', `${pointer}/indices`));
  }
  const positions = read('POSITION', 'VEC3')!;
  const vertexCount = positions.length / 3;
  const joints: Float64Array[] = [];
  const weights: Float64Array[] = [];
  for (let set = 0; attributes[`JOINTS_${set}`] !== undefined; set++) {
    const setJoints = read(`JOINTS_${set}`, 'VEC4');
    const setWeights = read(`WEIGHTS_${set}`, 'VEC4');
    if (!setJoints || !setWeights || setJoints.length !== vertexCount * 4 || setWeights.length !== vertexCount * 4) {
      return skip('GLTF_INFLUENCES', `JOINTS_${set} and WEIGHTS_${set} do not give four influences a vertex.`);
    }
    joints.push(setJoints);
    weights.push(setWeights);
  }
  const triangles = draco || mode === 4 ? order.subarray(0, order.length - (order.length % 3)) : unroll(order, mode);
  for (let k = 0; k < triangles.length; k++) {
    if (triangles[k]! >= vertexCount) {
      throw new RigproofError(
        'GLTF_INDEX',
        `A triangle uses vertex ${triangles[k]}, but there are ${vertexCount}.`,
        { file: container.name, pointer: `${pointer}/indices` },
        { hint: 'The file is damaged: export the character again.' },
      );
    }
  }
  const key = draco
    ? pointer
    : JSON.stringify(Object.entries(attributes).filter(([name]) => /^(POS|JOI|WEI)/.test(name)));
  return { vertexCount, positions, triangles, joints, weights, key, pointer };
}

function decodeDraco(
  container: GltfContainer,
  draco: { bufferView?: unknown; attributes?: { [name: string]: number } },
  decoder: DracoDecoder,
  pointer: string,
) {
  const place = { file: container.name, pointer: `${pointer}/extensions/KHR_draco_mesh_compression` };
  const hint = { hint: 'The file is damaged: export the character again.' };
  const view = documentOf(container).bufferViews?.[draco.bufferView as number];
  if (!view || draco.attributes?.POSITION === undefined) {
    throw new RigproofError('GLTF_INDEX', 'The compressed mesh names no buffer view or no positions.', place, hint);
  }
  const start = view.byteOffset ?? 0;
  const bytes = container.buffers[view.buffer]!.subarray(start, start + view.byteLength);
  try {
    return decoder.decode(bytes, draco.attributes);
  } catch (cause) {
    const message = cause instanceof Error ? cause.message : String(cause);
    throw new RigproofError('GLTF_DRACO', message, place, { ...hint, cause });
  }
}

/** Strips (mode 5) and fans (mode 6) as triangles; glTF 2.0, section 3.7.2.1. */
function unroll(order: Uint32Array, mode: number): Uint32Array {
  const count = Math.max(0, order.length - 2);
  const triangles = new Uint32Array(count * 3);
  for (let i = 0; i < count; i++) {
    const swap = mode === 5 && i % 2 === 1 ? 1 : 0;
    triangles[i * 3] = mode === 6 ? order[i + 1]! : order[i]!;
    triangles[i * 3 + 1] = mode === 6 ? order[i + 2]! : order[i + 1 + swap]!;
    triangles[i * 3 + 2] = mode === 6 ? order[0]! : order[i + 2 - swap]!;
  }
  return triangles;
}

/** Primitives put behind each other; those that use the same accessors share their vertices. */
function merge(primitives: readonly Primitive[]) {
  const firstVertex = new Map<string, number>();
  const distinct: Primitive[] = [];
  let vertexCount = 0;
  let triangleCount = 0;
  for (const primitive of primitives) {
    triangleCount += primitive.triangles.length;
    if (firstVertex.has(primitive.key)) continue;
    firstVertex.set(primitive.key, vertexCount);
    distinct.push(primitive);
    vertexCount += primitive.vertexCount;
  }
  const positions = new Float32Array(vertexCount * 3);
  for (const primitive of distinct) positions.set(primitive.positions, firstVertex.get(primitive.key)! * 3);
  const triangles = new Uint32Array(triangleCount);
  let at = 0;
  for (const primitive of primitives) {
    const first = firstVertex.get(primitive.key)!;
    for (const vertex of primitive.triangles) triangles[at++] = vertex + first;
  }
  return { distinct, vertexCount, positions, triangles };
}

function skinnedMesh(
  name: string,
  primitives: readonly Primitive[],
  container: GltfContainer,
  binding: NodeBinding,
  skin: SkinBinding,
  notes: Note[],
): SkinMesh {
  const { distinct, vertexCount, positions, triangles } = merge(primitives);
  const sets = Math.max(1, ...distinct.map((primitive) => primitive.joints.length));
  const influences = sets * 4;
  const joints = new Uint16Array(vertexCount * influences);
  const weights = new Float32Array(vertexCount * influences);
  let first = 0;
  for (const primitive of distinct) {
    if (primitive.joints.length === 0) {
      notes.push({
        code: 'GLTF_INFLUENCES',
        severity: 'warning',
        message: 'The mesh has a skin, but these vertices have no joints and weights: nothing moves them.',
        place: { file: container.name, pointer: primitive.pointer },
      });
    }
    primitive.joints.forEach((setJoints, set) => {
      const setWeights = primitive.weights[set]!;
      for (let v = 0; v < primitive.vertexCount; v++) {
        for (let k = 0; k < 4; k++) {
          const weight = setWeights[v * 4 + k]!;
          if (weight === 0) continue; // what an unused slot points at does not matter, and is often out of range
          const entry = setJoints[v * 4 + k]!;
          if (entry >= skin.joints.length) {
            throw new RigproofError(
              'GLTF_JOINT_INDEX',
              `Vertex ${v} follows joint ${entry} of its skin, which has ${skin.joints.length}.`,
              { file: container.name, pointer: `${primitive.pointer}/attributes/JOINTS_${set}` },
              { hint: 'Bind the mesh to its armature again and export.' },
            );
          }
          const at = (first + v) * influences + set * 4 + k;
          joints[at] = skin.joints[entry]!;
          weights[at] = weight;
        }
      }
    });
    first += primitive.vertexCount;
  }
  const bind = new Float64Array(binding.nodes.length * 12);
  for (let e = 0; e < skin.joints.length; e++) {
    const j = skin.joints[e]!;
    if (skin.inverseBind) mulAffine(bind, j * 12, binding.remainders, j * 12, skin.inverseBind, e * 12);
    else bind.set(binding.remainders.subarray(j * 12, j * 12 + 12), j * 12);
  }
  return { name, vertexCount, positions, triangles, influences, joints, weights, bind };
}

function rigidPart(
  name: string,
  primitives: readonly Primitive[],
  tree: NodeTree,
  binding: NodeBinding,
  nodeRest: WorldPose,
  node: number,
  joint: number,
): SkinMesh {
  const { vertexCount, positions, triangles } = merge(primitives);
  const joints = new Uint16Array(vertexCount * 4);
  const weights = new Float32Array(vertexCount * 4);
  for (let v = 0; v < vertexCount; v++) {
    joints[v * 4] = joint;
    weights[v * 4] = 1;
  }
  const world = new Float64Array(12);
  const inverse = new Float64Array(12);
  rigidAffine(world, 0, nodeRest.rotations, joint * 4, nodeRest.positions, joint * 3);
  invertAffine(inverse, 0, world, 0);
  const bind = new Float64Array(binding.nodes.length * 12);
  mulAffine(bind, joint * 12, inverse, 0, tree.worlds, node * 12);
  return { name, vertexCount, positions, triangles, influences: 4, joints, weights, bind };
}
