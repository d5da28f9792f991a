import type { GLTF } from '@gltf-transform/core';
import { RigproofError } from '../../errors.ts';

/** Bytes a component, by component type. */
export const COMPONENT_BYTES: { [componentType: number]: number } = {
  5120: 1,
  5121: 1,
  5122: 2,
  5123: 2,
  5125: 4,
  5126: 4,
};

/** Components an element, by accessor type. */
export const ELEMENT_SIZE: { [type: string]: number } = {
  SCALAR: 1,
  VEC2: 2,
  VEC3: 3,
  VEC4: 4,
  MAT2: 4,
  MAT3: 9,
  MAT4: 16,
};

/**
 * Elements. An accessor without bytes of its own (sparse, compressed) could otherwise ask for any amount of memory.
 * The largest accessor in the shared data has some 10,000; a film-grade mesh has a few million.
 */
export const MAX_ACCESSOR_COUNT = 20_000_000;

/** A glTF document whose indices and ranges were checked; only what is read here is checked. */
export type CheckedDocument = Omit<GLTF.IGLTF, 'extensions'> & { extensions?: { [name: string]: unknown } };

const REMEDY = { hint: 'The file is damaged or was written by a faulty exporter: export the character again.' };

/**
 * Bytes of one element, columns of small matrices padded to four bytes (glTF 2.0, section 3.6.2.4).
 */
export function elementBytes(type: string, componentType: number): number {
  const component = COMPONENT_BYTES[componentType]!;
  if (type === 'MAT2' && component === 1) return 8;
  if (type === 'MAT3' && component < 4) return component === 1 ? 12 : 24;
  return ELEMENT_SIZE[type]! * component;
}

/**
 * Checks what readers and writers rely on: every index points at something, every range lies within its buffer, every
 * number is finite, and nodes form trees. Extensions are not looked into. glTF 2.0, sections 3.5 to 3.11.
 *
 * @throws RigproofError with a JSON pointer: `GLTF_TYPE` (wrong kind of value), `GLTF_INDEX` (index out of range),
 *   `GLTF_RANGE` (bytes beyond the end), `GLTF_COUNT` (more elements than can be meant), `GLTF_NODE_CYCLE`,
 *   `GLTF_NODE_PARENTS` (two parents)
 */
export function checkDocument(json: { [key: string]: unknown }, buffers: readonly Uint8Array[], file: string): void {
  new Checker(json, buffers, file).run();
}

type Entry = { [key: string]: unknown };

class Checker {
  constructor(
    private readonly json: Entry,
    private readonly buffers: readonly Uint8Array[],
    private readonly file: string,
  ) {}

  run(): void {
    for (const key of ['bufferViews', 'accessors', 'meshes', 'nodes', 'skins', 'animations', 'scenes', 'cameras']) {
      const list = this.json[key];
      if (list === undefined) continue;
      if (!Array.isArray(list)) this.fail('GLTF_TYPE', `Expected an array, got ${describe(list)}.`, `/${key}`);
      for (let i = 0; i < list.length; i++) this.object(list[i], `/${key}/${i}`);
    }
    this.each('bufferViews', (view, at) => this.bufferView(view, at));
    this.each('accessors', (accessor, at) => this.accessor(accessor, at));
    this.each('meshes', (mesh, at) => this.mesh(mesh, at));
    this.each('nodes', (node, at) => this.node(node, at));
    this.each('skins', (skin, at) => this.skin(skin, at));
    this.each('animations', (animation, at) => this.animation(animation, at));
    this.each('scenes', (scene, at) => {
      if (scene.nodes !== undefined) this.indices(scene.nodes, 'nodes', `${at}/nodes`);
    });
    if (this.json.scene !== undefined) this.index(this.json.scene, 'scenes', '/scene');
    this.trees();
  }

  private fail(code: string, message: string, pointer: string): never {
    throw new RigproofError(code, message, { file: this.file, pointer }, REMEDY);
  }

  private list(key: string): Entry[] {
    return (this.json[key] ?? []) as Entry[];
  }

  private each(key: string, check: (entry: Entry, pointer: string) => void): void {
    this.list(key).forEach((entry, i) => {
      check(entry, `/${key}/${i}`);
    });
  }

  private object(value: unknown, pointer: string): Entry {
    if (typeof value !== 'object' || value === null || Array.isArray(value)) {
      this.fail('GLTF_TYPE', `Expected an object, got ${describe(value)}.`, pointer);
    }
    return value as Entry;
  }

  private array(value: unknown, pointer: string): unknown[] {
    if (!Array.isArray(value)) this.fail('GLTF_TYPE', `Expected an array, got ${describe(value)}.`, pointer);
    return value;
  }

  private whole(value: unknown, least: number, pointer: string): number {
    if (typeof value !== 'number' || !Number.isSafeInteger(value) || value < least) {
      this.fail('GLTF_TYPE', `Expected a whole number from ${least}, got ${describe(value)}.`, pointer);
    }
    return value;
  }

  private index(value: unknown, key: string, pointer: string): number {
    const count = key === 'buffers' ? this.buffers.length : this.list(key).length;
    const index = this.whole(value, 0, pointer);
    if (index >= count) {
      this.fail('GLTF_INDEX', `Points at ${key} ${index}, but the file has ${count} (0 to ${count - 1}).`, pointer);
    }
    return index;
  }

  private indices(value: unknown, key: string, pointer: string): number[] {
    return this.array(value, pointer).map((entry, i) => this.index(entry, key, `${pointer}/${i}`));
  }

  private numbers(value: unknown, count: number, pointer: string): void {
    const list = this.array(value, pointer);
    if (list.length !== count) this.fail('GLTF_TYPE', `Expected ${count} numbers, got ${list.length}.`, pointer);
    list.forEach((entry, i) => {
      if (typeof entry !== 'number' || !Number.isFinite(entry)) {
        this.fail('GLTF_TYPE', `Expected a finite number, got ${describe(entry)}.`, `${pointer}/${i}`);
      }
    });
  }

  private bufferView(view: Entry, at: string): void {
    const buffer = this.buffers[this.index(view.buffer, 'buffers', `${at}/buffer`)]!;
    const offset = view.byteOffset === undefined ? 0 : this.whole(view.byteOffset, 0, `${at}/byteOffset`);
    const length = this.whole(view.byteLength, 1, `${at}/byteLength`);
    if (view.byteStride !== undefined) {
      const stride = this.whole(view.byteStride, 1, `${at}/byteStride`);
      if (stride > 252) this.fail('GLTF_RANGE', `byteStride is ${stride}; expected at most 252.`, `${at}/byteStride`);
    }
    if (buffer.length === 0) return; // stands in for compressed bytes: nothing to read, nothing to overrun
    if (offset + length > buffer.length) {
      this.fail('GLTF_RANGE', `Ends at byte ${offset + length} of a buffer of ${buffer.length} bytes.`, at);
    }
  }

  private accessor(accessor: Entry, at: string): void {
    const type = accessor.type;
    if (typeof type !== 'string' || !Object.hasOwn(ELEMENT_SIZE, type)) {
      this.fail('GLTF_TYPE', `Unknown accessor type ${describe(type)}.`, `${at}/type`);
    }
    const componentType = this.componentType(accessor.componentType, `${at}/componentType`);
    const count = this.whole(accessor.count, 1, `${at}/count`);
    if (accessor.bufferView !== undefined) {
      const offset = accessor.byteOffset === undefined ? 0 : this.whole(accessor.byteOffset, 0, `${at}/byteOffset`);
      this.fits(accessor.bufferView, offset, count, elementBytes(type, componentType), at, `${at}/bufferView`);
    }
    if (count > MAX_ACCESSOR_COUNT) {
      this.fail('GLTF_COUNT', `Declares ${count} elements; at most ${MAX_ACCESSOR_COUNT} are read.`, `${at}/count`);
    }
    if (accessor.sparse !== undefined) {
      const sparse = this.object(accessor.sparse, `${at}/sparse`);
      const sparseCount = this.whole(sparse.count, 1, `${at}/sparse/count`);
      if (sparseCount > count) {
        this.fail('GLTF_COUNT', `Replaces ${sparseCount} of ${count} elements.`, `${at}/sparse/count`);
      }
      const indices = this.object(sparse.indices, `${at}/sparse/indices`);
      const values = this.object(sparse.values, `${at}/sparse/values`);
      const indexType = this.componentType(indices.componentType, `${at}/sparse/indices/componentType`);
      for (const [part, bytes, key] of [
        [indices, COMPONENT_BYTES[indexType]!, 'indices'],
        [values, elementBytes(type, componentType), 'values'],
      ] as const) {
        const pointer = `${at}/sparse/${key}`;
        const offset = part.byteOffset === undefined ? 0 : this.whole(part.byteOffset, 0, `${pointer}/byteOffset`);
        this.fits(part.bufferView, offset, sparseCount, bytes, pointer, `${pointer}/bufferView`);
      }
    }
  }

  private componentType(value: unknown, pointer: string): number {
    if (typeof value !== 'number' || !Object.hasOwn(COMPONENT_BYTES, value)) {
      this.fail('GLTF_TYPE', `Unknown component type ${describe(value)}.`, pointer);
    }
    return value;
  }

  private fits(view: unknown, offset: number, count: number, bytes: number, at: string, pointer: string): void {
    const bufferView = this.list('bufferViews')[this.index(view, 'bufferViews', pointer)]!;
    const stride = typeof bufferView.byteStride === 'number' ? bufferView.byteStride : bytes;
    const end = offset + (count - 1) * stride + bytes;
    const length = bufferView.byteLength as number;
    if (end > length) {
      this.fail('GLTF_RANGE', `${count} elements end at byte ${end} of a buffer view of ${length} bytes.`, at);
    }
  }

  private mesh(mesh: Entry, at: string): void {
    this.array(mesh.primitives, `${at}/primitives`).forEach((value, i) => {
      const pointer = `${at}/primitives/${i}`;
      const primitive = this.object(value, pointer);
      const attributes = this.object(primitive.attributes, `${pointer}/attributes`);
      for (const [name, accessor] of Object.entries(attributes)) {
        this.index(accessor, 'accessors', `${pointer}/attributes/${name}`);
      }
      if (primitive.indices !== undefined) this.index(primitive.indices, 'accessors', `${pointer}/indices`);
    });
  }

  private node(node: Entry, at: string): void {
    if (node.children !== undefined) this.indices(node.children, 'nodes', `${at}/children`);
    if (node.mesh !== undefined) this.index(node.mesh, 'meshes', `${at}/mesh`);
    if (node.skin !== undefined) this.index(node.skin, 'skins', `${at}/skin`);
    if (node.matrix !== undefined) this.numbers(node.matrix, 16, `${at}/matrix`);
    if (node.translation !== undefined) this.numbers(node.translation, 3, `${at}/translation`);
    if (node.rotation !== undefined) this.numbers(node.rotation, 4, `${at}/rotation`);
    if (node.scale !== undefined) this.numbers(node.scale, 3, `${at}/scale`);
    if (node.name !== undefined && typeof node.name !== 'string') {
      this.fail('GLTF_TYPE', `Expected a text, got ${describe(node.name)}.`, `${at}/name`);
    }
  }

  private skin(skin: Entry, at: string): void {
    const joints = this.indices(skin.joints, 'nodes', `${at}/joints`);
    if (joints.length === 0) this.fail('GLTF_COUNT', 'The skin has no joints.', `${at}/joints`);
    if (skin.skeleton !== undefined) this.index(skin.skeleton, 'nodes', `${at}/skeleton`);
    if (skin.inverseBindMatrices === undefined) return;
    const pointer = `${at}/inverseBindMatrices`;
    const matrices = this.list('accessors')[this.index(skin.inverseBindMatrices, 'accessors', pointer)]!;
    if (matrices.type !== 'MAT4') {
      this.fail('GLTF_TYPE', `Expected MAT4 values, got ${describe(matrices.type)}.`, pointer);
    }
    if ((matrices.count as number) < joints.length) {
      this.fail('GLTF_COUNT', `${matrices.count} matrices for ${joints.length} joints.`, pointer);
    }
  }

  private animation(animation: Entry, at: string): void {
    const samplers = this.array(animation.samplers, `${at}/samplers`);
    samplers.forEach((value, i) => {
      const pointer = `${at}/samplers/${i}`;
      const sampler = this.object(value, pointer);
      this.index(sampler.input, 'accessors', `${pointer}/input`);
      this.index(sampler.output, 'accessors', `${pointer}/output`);
    });
    this.array(animation.channels, `${at}/channels`).forEach((value, i) => {
      const pointer = `${at}/channels/${i}`;
      const channel = this.object(value, pointer);
      const sampler = this.whole(channel.sampler, 0, `${pointer}/sampler`);
      if (sampler >= samplers.length) {
        this.fail(
          'GLTF_INDEX',
          `Points at sampler ${sampler}, but the animation has ${samplers.length}.`,
          `${pointer}/sampler`,
        );
      }
      const target = this.object(channel.target, `${pointer}/target`);
      if (target.node !== undefined) this.index(target.node, 'nodes', `${pointer}/target/node`);
    });
  }

  /** Every node has at most one parent, and following parents never returns to a node. */
  private trees(): void {
    const nodes = this.list('nodes');
    const parents = new Int32Array(nodes.length).fill(-1);
    nodes.forEach((node, i) => {
      ((node.children ?? []) as number[]).forEach((child, k) => {
        const pointer = `/nodes/${i}/children/${k}`;
        if (child === i) this.fail('GLTF_NODE_CYCLE', `Node ${i} is its own child.`, pointer);
        if (parents[child]! >= 0) {
          this.fail('GLTF_NODE_PARENTS', `Node ${child} is also a child of node ${parents[child]}.`, pointer);
        }
        parents[child] = i;
      });
    });
    // A node is done once the walk up from it met a root or a node that is done.
    const walk = new Int32Array(nodes.length).fill(-1);
    for (let start = 0; start < nodes.length; start++) {
      for (let i = start; i >= 0; i = parents[i]!) {
        if (walk[i] === start) {
          this.fail('GLTF_NODE_CYCLE', `Node ${i} is below itself.`, `/nodes/${parents[i]}/children`);
        }
        if (walk[i]! >= 0) break;
        walk[i] = start;
      }
    }
  }
}

function describe(value: unknown): string {
  if (value === undefined) return 'nothing';
  if (Array.isArray(value)) return 'an array';
  if (typeof value === 'object' && value !== null) return 'an object';
  return typeof value === 'number' ? String(value) : JSON.stringify(value).slice(0, 40);
}
