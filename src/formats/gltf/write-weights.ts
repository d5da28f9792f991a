import { type Note, RigproofError } from '../../errors.ts';
import { isCompressed, readAccessor } from './accessor.ts';
import { appendAsGlb } from './append-animation.ts';
import type { Character } from './character.ts';
import { COMPONENT_BYTES, elementBytes } from './check-document.ts';
import type { GltfContainer, JsonObject } from './container.ts';
import { documentOf, nodeName } from './nodes.ts';
import { type Edit, elementSpans, memberSpans, spliceText } from './splice-json.ts';

/** New influences of one of a character's meshes, laid out as in its `SkinMesh`. */
export interface NewInfluences {
  /** Index into `character.skins`. */
  mesh: number;
  /** Skeleton joints. */
  joints: Uint16Array;
  weights: Float32Array;
  changed: readonly number[];
}

/**
 * A copy of a character with other skin weights for some vertices, as a self-contained .glb. The numbers are written where
 * the old ones stood: nothing else in the file changes but the `min` and `max` of those accessors, and, for a .gltf, what
 * a .glb holds otherwise (see `appendAsGlb`). Integer weights are rounded so that their sum stays exact.
 *
 * @throws RigproofError `MEND_COMPRESSED` for compressed or sparse weights, `MEND_SHARED` where two meshes share weights
 *   that would become different, `MEND_JOINT` where a joint is not in the skin
 */
export function writeWeights(
  character: Character,
  meshes: readonly NewInfluences[],
): { bytes: Uint8Array; notes: Note[] } {
  const { container } = character;
  const copies = container.buffers.map((bytes) => bytes.slice());
  const written = new Map<number, { mesh: number; primitive: string; values: Float64Array }>();
  const sources = findSources(character);
  for (const mesh of meshes) {
    if (mesh.changed.length === 0) continue;
    const source = sources[mesh.mesh];
    if (!source) continue; // a rigid part: it has no weights of its own
    writeMesh(character, mesh, source, copies, written);
  }
  const changed: GltfContainer = { ...container, buffers: copies, ...withBounds(container, written, copies) };
  const { bytes, notes } = appendAsGlb(changed, []);
  return { bytes, notes };
}

/** Where a mesh of the character stands in the file. */
interface MeshSource {
  node: number;
  mesh: number;
  skin: number;
  /** Distinct primitives with their first vertex in the merged mesh. */
  primitives: { index: number; first: number; count: number }[];
}

/** The skinned mesh nodes of the file in the order in which the character lists them; null for its rigid parts. */
function findSources({ container, nodes: tree, skins }: Character): (MeshSource | null)[] {
  const { nodes = [], meshes = [], accessors = [] } = documentOf(container);
  const sources: (MeshSource | null)[] = [];
  for (const node of tree.order) {
    const wanted = skins[sources.length];
    const { mesh, skin } = nodes[node]!;
    if (!wanted || mesh === undefined || nodeName(nodes[node]!, node) !== wanted.name) continue;
    const seen = new Set<string>();
    const primitives: MeshSource['primitives'] = [];
    let first = 0;
    meshes[mesh]!.primitives.forEach((primitive, index) => {
      const mode = primitive.mode ?? 4;
      if (mode < 4 || mode > 6 || primitive.attributes.POSITION === undefined) return;
      const key = primitive.extensions?.KHR_draco_mesh_compression
        ? `/${index}`
        : JSON.stringify(Object.entries(primitive.attributes).filter(([name]) => /^(POS|JOI|WEI)/.test(name)));
      if (seen.has(key)) return;
      seen.add(key);
      const { count } = accessors[primitive.attributes.POSITION]!;
      primitives.push({ index, first, count });
      first += count;
    });
    if (first !== wanted.vertexCount) continue;
    sources.push(skin === undefined ? null : { node, mesh, skin, primitives });
  }
  return sources;
}

function writeMesh(
  character: Character,
  { mesh, joints, weights, changed }: NewInfluences,
  source: MeshSource,
  copies: readonly Uint8Array[],
  written: Map<number, { mesh: number; primitive: string; values: Float64Array }>,
): void {
  const { container, binding, skins } = character;
  const document = documentOf(container);
  const entryOf = new Map<number, number>();
  document.skins![source.skin]!.joints.forEach((node, entry) => {
    const joint = binding.nodes.indexOf(node);
    if (joint >= 0 && !entryOf.has(joint)) entryOf.set(joint, entry);
  });
  const { influences } = skins[mesh]!;
  for (const { index, first, count } of source.primitives) {
    const own = changed.filter((v) => v >= first && v < first + count);
    if (own.length === 0) continue;
    const pointer = `/meshes/${source.mesh}/primitives/${index}`;
    const place = { file: container.name, pointer };
    const { attributes, extensions } = document.meshes![source.mesh]!.primitives[index]!;
    if (extensions?.KHR_draco_mesh_compression) {
      throw new RigproofError(
        'MEND_COMPRESSED',
        'The weights of this mesh are compressed with Draco, and are not written again.',
        place,
        { hint: 'Export the character without mesh compression, mend it, and compress it afterwards.' },
      );
    }
    for (let set = 0; attributes[`JOINTS_${set}`] !== undefined; set++) {
      const jointAccessor = attributes[`JOINTS_${set}`]!;
      const weightAccessor = attributes[`WEIGHTS_${set}`]!;
      for (const accessor of [jointAccessor, weightAccessor]) requirePlain(container, accessor, pointer);
      const jointValues = readAccessor(container, jointAccessor, 'VEC4', `${pointer}/attributes/JOINTS_${set}`);
      const weightValues = readAccessor(container, weightAccessor, 'VEC4', `${pointer}/attributes/WEIGHTS_${set}`);
      const scale = integerScale(document.accessors![weightAccessor]!.componentType);
      for (const v of own) {
        const from = v * influences;
        const rounded = scale ? roundedSum(weights.subarray(from, from + influences), scale) : null;
        for (let k = 0; k < 4; k++) {
          const i = from + set * 4 + k;
          const weight = rounded ? rounded[set * 4 + k]! / scale! : weights[i]!;
          const at = (v - first) * 4 + k;
          weightValues[at] = weight;
          const entry = weight === 0 ? 0 : entryOf.get(joints[i]!);
          if (entry === undefined) {
            throw new RigproofError(
              'MEND_JOINT',
              `The skin does not bind the joint that vertex ${v - first} is to follow.`,
              { ...place, joint: character.skeleton.names[joints[i]!]! },
              { hint: 'Add the joint to the skin in the modelling package.' },
            );
          }
          jointValues[at] = entry;
        }
      }
      for (const [accessor, values] of [
        [jointAccessor, jointValues],
        [weightAccessor, weightValues],
      ] as const) {
        const known = written.get(accessor);
        if (known?.values.some((value, i) => value !== values[i])) {
          throw new RigproofError(
            'MEND_SHARED',
            `The weights of this mesh are shared with ${known.primitive} and would become different.`,
            place,
            { hint: 'Make the meshes independent in the modelling package and export again.' },
          );
        }
        written.set(accessor, { mesh, primitive: pointer, values });
        writeInto(container, accessor, values, copies);
      }
    }
  }
}

function requirePlain(container: GltfContainer, accessor: number, pointer: string): void {
  const { sparse, bufferView } = documentOf(container).accessors![accessor]!;
  if (!sparse && bufferView !== undefined && !isCompressed(container, accessor)) return;
  throw new RigproofError(
    'MEND_COMPRESSED',
    'The weights of this mesh are stored in a packed form (sparse or compressed), and are not written again.',
    { file: container.name, pointer },
    { hint: 'Export the character without compression and sparse accessors.' },
  );
}

/** What a normalised integer stands for 1 with, or null for floats. */
function integerScale(componentType: number): number | null {
  return componentType === 5121 ? 255 : componentType === 5123 ? 65535 : null;
}

/** Weights as integers that sum to `scale`: what rounding leaves goes to the largest remainders. */
function roundedSum(weights: Float32Array, scale: number): Float64Array {
  const exact = Float64Array.from(weights, (w) => w * scale);
  const out = exact.map(Math.floor);
  let left = scale - out.reduce((sum, x) => sum + x, 0);
  const order = [...exact.keys()].filter((i) => exact[i]! > 0).sort((a, b) => (exact[b]! % 1) - (exact[a]! % 1));
  for (let i = 0; left > 0 && order.length > 0; i = (i + 1) % order.length, left--) out[order[i]!]!++;
  return out;
}

function writeInto(container: GltfContainer, index: number, values: Float64Array, copies: readonly Uint8Array[]): void {
  const { accessors, bufferViews } = documentOf(container);
  const accessor = accessors![index]!;
  const view = bufferViews![accessor.bufferView!]!;
  const bytes = copies[view.buffer]!;
  const data = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const size = COMPONENT_BYTES[accessor.componentType]!;
  const stride = view.byteStride ?? elementBytes('VEC4', accessor.componentType);
  const scale = accessor.normalized ? integerScale(accessor.componentType)! : 1;
  let at = (view.byteOffset ?? 0) + (accessor.byteOffset ?? 0);
  for (let i = 0; i < accessor.count; i++, at += stride)
    for (let k = 0; k < 4; k++) {
      const value = values[i * 4 + k]!;
      if (accessor.componentType === 5126) data.setFloat32(at + k * size, value, true);
      else if (accessor.componentType === 5121) data.setUint8(at + k, Math.round(value * scale));
      else data.setUint16(at + k * size, Math.round(value * scale), true);
    }
}

/** The JSON with new `min` and `max` where those accessors state them, and new data URIs of further buffers. */
function withBounds(
  container: GltfContainer,
  written: ReadonlyMap<number, { values: Float64Array }>,
  copies: readonly Uint8Array[],
): { json: JsonObject; jsonText: string } {
  const text = container.jsonText;
  const { accessors = [], buffers = [] } = documentOf(container);
  const members = memberSpans(text, 0);
  const edits: Edit[] = [];
  const spans = accessors.length > 0 ? elementSpans(text, members.get('accessors')!.start) : [];
  for (const [index, { values }] of written) {
    const { componentType, normalized } = accessors[index]!;
    const scale = normalized ? integerScale(componentType)! : 1;
    const own = memberSpans(text, spans[index]!.start);
    for (const name of ['min', 'max'] as const) {
      const member = own.get(name);
      if (!member) continue;
      const bounds = [0, 1, 2, 3].map((k) => {
        let bound = values[k]! * scale;
        for (let i = k; i < values.length; i += 4)
          bound = name === 'min' ? Math.min(bound, values[i]! * scale) : Math.max(bound, values[i]! * scale);
        return componentType === 5126 ? Math.fround(bound) : Math.round(bound);
      });
      edits.push({ start: member.start, end: member.end, text: JSON.stringify(bounds) });
    }
  }
  // The first buffer becomes the binary chunk; others that are written into the JSON stay there.
  const touched = new Set<number>();
  for (const index of written.keys()) {
    const view = documentOf(container).bufferViews![accessors[index]!.bufferView!]!;
    if (view.buffer > 0 && buffers[view.buffer]!.uri?.startsWith('data:')) touched.add(view.buffer);
  }
  if (touched.size > 0) {
    const bufferSpans = elementSpans(text, members.get('buffers')!.start);
    for (const index of touched) {
      const uri = memberSpans(text, bufferSpans[index]!.start).get('uri')!;
      const parts: string[] = [];
      for (let at = 0; at < copies[index]!.length; at += 0x6000)
        parts.push(btoa(String.fromCharCode(...copies[index]!.subarray(at, at + 0x6000))));
      const value = `data:application/octet-stream;base64,${parts.join('')}`;
      edits.push({ start: uri.start, end: uri.end, text: JSON.stringify(value) });
    }
  }
  if (edits.length === 0) return { json: container.json, jsonText: text };
  const jsonText = spliceText(text, edits);
  return { json: JSON.parse(jsonText.replace(/^\uFEFF/, '')) as JsonObject, jsonText };
}
