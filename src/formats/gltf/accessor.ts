import type { GLTF } from '@gltf-transform/core';
import { RigproofError } from '../../errors.ts';
import { COMPONENT_BYTES, ELEMENT_SIZE, elementBytes } from './check-document.ts';
import type { GltfContainer } from './container.ts';
import { documentOf } from './nodes.ts';

/**
 * Whether the elements of an accessor can only be had by a decoder that this reader lacks (EXT_meshopt_compression and
 * its successor compress whole buffer views).
 */
export function isCompressed(container: GltfContainer, index: number): boolean {
  const { accessors, bufferViews } = documentOf(container);
  const view = accessors![index]!.bufferView;
  if (view === undefined) return false;
  return Object.keys(bufferViews![view]!.extensions ?? {}).some((name) => /meshopt_compression$/.test(name));
}

/**
 * Elements of an accessor as numbers: interleaved, sparse and zero-filled ones too; normalised integers as fractions
 * (glTF 2.0, section 3.6.2.2), others as they are. A new array, count × element size, on every call.
 * @param type  what the caller can use; anything else is refused
 * @throws RigproofError `GLTF_ACCESSOR_TYPE`, `GLTF_NAN`, `GLTF_INDEX` (sparse), `GLTF_COMPRESSED`
 */
export function readAccessor(
  container: GltfContainer,
  index: number,
  type: 'SCALAR' | 'VEC2' | 'VEC3' | 'VEC4' | 'MAT4',
  pointer = `/accessors/${index}`,
): Float64Array {
  const accessor = documentOf(container).accessors![index]!;
  const place = { file: container.name, pointer };
  if (accessor.type !== type) {
    throw new RigproofError(
      'GLTF_ACCESSOR_TYPE',
      `The accessor holds ${accessor.type} values; expected ${type}.`,
      place,
      { hint: 'The file was written by a faulty exporter: export the character again.' },
    );
  }
  if (isCompressed(container, index)) {
    throw new RigproofError(
      'GLTF_COMPRESSED',
      'The values are stored with mesh-optimiser compression, which is not decoded here.',
      place,
      { hint: 'Export the character again without that compression.' },
    );
  }
  const size = ELEMENT_SIZE[type]!;
  const out = new Float64Array(accessor.count * size);
  const bytes = elementBytes(type, accessor.componentType);
  if (accessor.bufferView !== undefined) {
    readInto(out, accessor.count, size, bytes, accessor.bufferView, accessor.byteOffset ?? 0, accessor.componentType);
  }
  const { sparse } = accessor;
  if (sparse) {
    const at = new Float64Array(sparse.count);
    const { indices, values } = sparse;
    const indexBytes = COMPONENT_BYTES[indices.componentType]!;
    readInto(at, sparse.count, 1, indexBytes, indices.bufferView, indices.byteOffset ?? 0, indices.componentType);
    const replaced = new Float64Array(sparse.count * size);
    readInto(
      replaced,
      sparse.count,
      size,
      bytes,
      values.bufferView,
      values.byteOffset ?? 0,
      accessor.componentType as GLTF.AccessorComponentType,
    );
    for (let i = 0; i < sparse.count; i++) {
      if (at[i]! >= accessor.count) {
        throw new RigproofError(
          'GLTF_INDEX',
          `A sparse entry replaces element ${at[i]}, but there are ${accessor.count}.`,
          { file: container.name, pointer: `/accessors/${index}/sparse/indices` },
          { hint: 'The file is damaged: export the character again.' },
        );
      }
      out.set(replaced.subarray(i * size, (i + 1) * size), at[i]! * size);
    }
  }
  if (accessor.normalized) normalise(out, accessor.componentType);
  const bad = accessor.componentType === 5126 ? firstNotFinite(out) : -1;
  if (bad >= 0) {
    throw new RigproofError(
      'GLTF_NAN',
      `Element ${Math.floor(bad / size)} is ${out[bad]}; expected a finite number.`,
      place,
      { hint: 'The exporter wrote a number that is none: look for zero scales in the scene and export again.' },
    );
  }
  return out;

  function readInto(
    into: Float64Array,
    count: number,
    width: number,
    elementSize: number,
    viewIndex: number,
    offset: number,
    componentType: number,
  ): void {
    const view = documentOf(container).bufferViews![viewIndex]!;
    const buffer = container.buffers[view.buffer]!;
    const data = new DataView(buffer.buffer, buffer.byteOffset, buffer.byteLength);
    const component = COMPONENT_BYTES[componentType]!;
    const stride = view.byteStride ?? elementSize;
    let from = (view.byteOffset ?? 0) + offset;
    const numbers = stride === elementSize ? numbersAt(buffer, from, count * width, componentType) : null;
    if (numbers && elementSize === width * component) {
      into.set(numbers);
      return;
    }
    for (let i = 0, to = 0; i < count; i++, from += stride) {
      for (let k = 0, at = from; k < width; k++, at += component) into[to++] = readComponent(data, at, componentType);
    }
  }
}

function readComponent(data: DataView, at: number, componentType: number): number {
  switch (componentType) {
    case 5120:
      return data.getInt8(at);
    case 5121:
      return data.getUint8(at);
    case 5122:
      return data.getInt16(at, true);
    case 5123:
      return data.getUint16(at, true);
    case 5125:
      return data.getUint32(at, true);
    default:
      return data.getFloat32(at, true);
  }
}

/** Integer to fraction, glTF 2.0, section 3.6.2.2: c / 127 and so on, not below -1. */
function normalise(values: Float64Array, componentType: number): void {
  const largest = { 5120: 127, 5121: 255, 5122: 32767, 5123: 65535, 5125: 4294967295 }[componentType];
  if (largest === undefined) return;
  for (let i = 0; i < values.length; i++) values[i] = Math.max(-1, values[i]! / largest);
}

/** Whether this machine stores numbers as glTF does, the lowest byte first. */
const IS_LITTLE_ENDIAN = new Uint8Array(Uint16Array.of(1).buffer)[0] === 1;

/** The types that motion is stored in, read without a look at each number; null where they do not lie so. */
function numbersAt(
  { buffer, byteOffset }: Uint8Array,
  from: number,
  count: number,
  componentType: number,
): Float32Array | Int16Array | null {
  const at = byteOffset + from;
  if (!IS_LITTLE_ENDIAN || at % COMPONENT_BYTES[componentType]! !== 0) return null;
  if (componentType === 5126) return new Float32Array(buffer, at, count);
  return componentType === 5122 ? new Int16Array(buffer, at, count) : null;
}

function firstNotFinite(values: Float64Array): number {
  for (let i = 0; i < values.length; i++) if (!Number.isFinite(values[i]!)) return i;
  return -1;
}
