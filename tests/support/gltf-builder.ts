/** Builds small glTF files in sight of the test that uses them. Nothing here is checked: faulty files are wanted too. */

type Json = { [key: string]: unknown };

const COMPONENT = new Map<unknown, number>([
  [Int8Array, 5120],
  [Uint8Array, 5121],
  [Int16Array, 5122],
  [Uint16Array, 5123],
  [Uint32Array, 5125],
  [Float32Array, 5126],
]);

export type AccessorArray = Int8Array | Uint8Array | Int16Array | Uint16Array | Uint32Array | Float32Array;

export interface NodeOptions {
  name?: string;
  translation?: readonly number[];
  rotation?: readonly number[];
  scale?: readonly number[];
  matrix?: readonly number[];
  children?: number[];
  mesh?: number;
  skin?: number;
  extras?: unknown;
}

export interface ChannelOptions {
  node: number;
  path: 'translation' | 'rotation' | 'scale' | 'weights';
  times: readonly number[];
  values: readonly number[];
  interpolation?: 'LINEAR' | 'STEP' | 'CUBICSPLINE';
}

/**
 * @example
 * const builder = new GltfBuilder();
 * const shin = builder.node({ name: 'shin', translation: [0, -0.4, 0] });
 * const thigh = builder.node({ name: 'thigh', children: [shin] });
 * builder.scene([thigh]);
 * builder.skin([thigh, shin]);
 * const bytes = builder.glb();
 */
export class GltfBuilder {
  /** The document; edit it freely to make a fault. */
  readonly json = {
    asset: { version: '2.0' } as Json,
    scene: 0 as number | undefined,
    scenes: [] as Json[],
    nodes: [] as Json[],
    meshes: [] as Json[],
    skins: [] as Json[],
    animations: [] as Json[],
    accessors: [] as Json[],
    bufferViews: [] as Json[],
    buffers: [] as Json[],
  };
  #binary: number[] = [];

  view(data: AccessorArray, byteStride?: number): number {
    while (this.#binary.length % 4 !== 0) this.#binary.push(0);
    const byteOffset = this.#binary.length;
    for (const byte of new Uint8Array(data.buffer, data.byteOffset, data.byteLength)) this.#binary.push(byte);
    const view: Json = { buffer: 0, byteOffset, byteLength: data.byteLength };
    if (byteStride !== undefined) view.byteStride = byteStride;
    return this.json.bufferViews.push(view) - 1;
  }

  accessor(type: string, data: AccessorArray, more: Json = {}): number {
    const size = { SCALAR: 1, VEC2: 2, VEC3: 3, VEC4: 4, MAT4: 16 }[type] ?? 1;
    return (
      this.json.accessors.push({
        bufferView: this.view(data),
        componentType: COMPONENT.get(data.constructor),
        count: data.length / size,
        type,
        ...more,
      }) - 1
    );
  }

  node(options: NodeOptions = {}): number {
    return this.json.nodes.push({ ...options }) - 1;
  }

  /** Nodes one below the other, in the given order; returns their indices. */
  chain(nodes: readonly NodeOptions[]): number[] {
    const indices = nodes.map((options) => this.node(options));
    for (let i = 0; i + 1 < indices.length; i++) {
      const node = this.json.nodes[indices[i]!]!;
      node.children = [...((node.children as number[]) ?? []), indices[i + 1]!];
    }
    return indices;
  }

  scene(nodes: number[]): number {
    return this.json.scenes.push({ nodes }) - 1;
  }

  /** @param inverseBind  joint count × 16, column-major as in the file; none means identities */
  skin(joints: number[], inverseBind?: readonly number[], more: Json = {}): number {
    const skin: Json = { joints, ...more };
    if (inverseBind) skin.inverseBindMatrices = this.accessor('MAT4', new Float32Array(inverseBind));
    return this.json.skins.push(skin) - 1;
  }

  mesh(attributes: { [name: string]: number }, more: Json = {}): number {
    return this.json.meshes.push({ primitives: [{ attributes, ...more }] }) - 1;
  }

  animation(name: string | undefined, channels: readonly ChannelOptions[]): number {
    const sizes = { translation: 'VEC3', rotation: 'VEC4', scale: 'VEC3', weights: 'SCALAR' };
    const samplers = channels.map(({ times, values, path, interpolation }) => ({
      input: this.accessor('SCALAR', new Float32Array(times), {
        min: [Math.min(...times)],
        max: [Math.max(...times)],
      }),
      output: this.accessor(sizes[path], new Float32Array(values)),
      ...(interpolation ? { interpolation } : {}),
    }));
    const animation: Json = {
      channels: channels.map(({ node, path }, i) => ({ sampler: i, target: { node, path } })),
      samplers,
    };
    if (name !== undefined) animation.name = name;
    return this.json.animations.push(animation) - 1;
  }

  binary(): Uint8Array {
    return Uint8Array.from(this.#binary);
  }

  /** The document as JSON text; empty lists are left out, as the standard asks. */
  text(uri?: string): string {
    const json: Json = { ...this.json };
    if (this.#binary.length > 0) {
      json.buffers = [{ byteLength: this.#binary.length, ...(uri === undefined ? {} : { uri }) }];
    }
    if (this.json.buffers.length > 0) json.buffers = this.json.buffers;
    for (const [key, value] of Object.entries(json)) if (Array.isArray(value) && value.length === 0) delete json[key];
    if (json.scenes === undefined) delete json.scene;
    return JSON.stringify(json);
  }

  glb(): Uint8Array {
    return packGlb(this.text(), this.#binary.length > 0 ? this.binary() : undefined);
  }

  /** A .gltf whose buffer is a data URI. */
  gltf(): Uint8Array {
    const base64 = Buffer.from(this.binary()).toString('base64');
    return new TextEncoder().encode(this.text(`data:application/octet-stream;base64,${base64}`));
  }
}

/** Puts JSON text and bytes into the binary container, padded as the standard asks (glTF 2.0, section 4.4). */
export function packGlb(text: string, binary?: Uint8Array): Uint8Array {
  const json = new TextEncoder().encode(text);
  const jsonLength = Math.ceil(json.length / 4) * 4;
  const binaryLength = binary ? Math.ceil(binary.length / 4) * 4 : 0;
  const total = 12 + 8 + jsonLength + (binary ? 8 + binaryLength : 0);
  const bytes = new Uint8Array(total);
  const view = new DataView(bytes.buffer);
  view.setUint32(0, 0x46546c67, true);
  view.setUint32(4, 2, true);
  view.setUint32(8, total, true);
  view.setUint32(12, jsonLength, true);
  view.setUint32(16, 0x4e4f534a, true);
  bytes.fill(0x20, 20, 20 + jsonLength);
  bytes.set(json, 20);
  if (binary) {
    view.setUint32(20 + jsonLength, binaryLength, true);
    view.setUint32(24 + jsonLength, 0x004e4942, true);
    bytes.set(binary, 28 + jsonLength);
  }
  return bytes;
}
