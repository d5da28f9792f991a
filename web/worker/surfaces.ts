import {
  type Character,
  type DracoDecoder,
  documentOf,
  nodeName,
  readAccessor,
  type SkinMesh,
} from '../../src/index.ts';
import type { Surface } from './protocol.ts';

interface MaterialLook {
  factor: readonly number[];
  image: number | null;
  alphaMode: string;
  doubleSided: boolean;
}

type Primitive = NonNullable<ReturnType<typeof documentOf>['meshes']>[number]['primitives'][number];

/**
 * What each mesh of a character looks like, in the vertex order of its skins; null where it cannot be told. Only base
 * colours are shown: this is a picture for judging motion, not a product shot.
 */
export function readSurfaces(character: Character, decoder: DracoDecoder | undefined): (Surface | null)[] {
  const { container, nodes: tree, skins } = character;
  const { nodes = [], meshes = [] } = documentOf(container);
  const surfaces: (Surface | null)[] = [];
  let next = 0;
  for (const node of tree.order) {
    const mesh = nodes[node]!.mesh;
    const skin = skins[next];
    if (mesh === undefined || skin === undefined || skin.name !== nodeName(nodes[node]!, node)) continue;
    surfaces.push(surfaceOf(character, meshes[mesh]!.primitives, skin, decoder));
    next++;
  }
  while (surfaces.length < skins.length) surfaces.push(null);
  return surfaces;
}

function surfaceOf(
  character: Character,
  primitives: readonly Primitive[],
  skin: SkinMesh,
  decoder: DracoDecoder | undefined,
): Surface | null {
  const normals = new Float32Array(skin.vertexCount * 3);
  const uvs = new Float32Array(skin.vertexCount * 2);
  const colours = new Float32Array(skin.vertexCount * 3).fill(1);
  const groups: Surface['groups'] = [];
  const seen = new Set<string>();
  let hasNormals = true;
  let hasUvs = false;
  let vertex = 0;
  let index = 0;
  for (const primitive of primitives) {
    const mode = primitive.mode ?? 4;
    if (mode < 4 || mode > 6 || primitive.attributes.POSITION === undefined) continue;
    const read = attributeReader(character, primitive, decoder);
    if (!read) return null;
    const look = materialOf(character, primitive.material);
    const triangles = triangleIndices(read.indexCount, mode, read.isDraco);
    groups.push({
      start: index,
      count: triangles,
      image: look.image,
      alphaMode: look.alphaMode,
      doubleSided: look.doubleSided,
    });
    index += triangles;
    const key = read.isDraco
      ? `draco ${groups.length}`
      : JSON.stringify(Object.entries(primitive.attributes).filter(([name]) => /^(POS|JOI|WEI)/.test(name)));
    if (seen.has(key)) continue;
    seen.add(key);
    const count = read.vertexCount;
    if (vertex + count > skin.vertexCount) return null;
    const own = read.values('NORMAL', 3);
    if (own) normals.set(own, vertex * 3);
    else hasNormals = false;
    const uv = read.values('TEXCOORD_0', 2);
    if (uv) {
      uvs.set(uv, vertex * 2);
      hasUvs = true;
    }
    const colour = read.colours();
    for (let v = 0; v < count; v++) {
      for (let k = 0; k < 3; k++) {
        colours[(vertex + v) * 3 + k] = (colour ? colour.values[v * colour.size + k]! : 1) * look.factor[k]!;
      }
    }
    vertex += count;
  }
  if (vertex !== skin.vertexCount || index !== skin.triangles.length) return null;
  return { normals: hasNormals ? normals : null, uvs: hasUvs ? uvs : null, colours, groups };
}

function triangleIndices(count: number, mode: number, isDraco: boolean): number {
  return isDraco || mode === 4 ? count - (count % 3) : Math.max(0, count - 2) * 3;
}

function attributeReader({ container }: Character, primitive: Primitive, decoder: DracoDecoder | undefined) {
  const draco = primitive.extensions?.KHR_draco_mesh_compression as
    | { bufferView: number; attributes: { [name: string]: number } }
    | undefined;
  const accessors = documentOf(container).accessors ?? [];
  const vertexCount = accessors[primitive.attributes.POSITION!]!.count;
  if (draco) {
    if (!decoder) return null;
    const view = documentOf(container).bufferViews![draco.bufferView]!;
    const start = view.byteOffset ?? 0;
    const wanted = Object.entries(draco.attributes).filter(([name]) =>
      /^(POSITION|NORMAL|TEXCOORD_0|COLOR_0)$/.test(name),
    );
    const bytes = container.buffers[view.buffer]!.subarray(start, start + view.byteLength);
    const mesh = decoder.decode(bytes, Object.fromEntries(wanted));
    return {
      isDraco: true,
      vertexCount: mesh.vertexCount,
      indexCount: mesh.indices.length,
      values: (name: string, size: number) => {
        const found = mesh.attributes[name];
        return found?.length === mesh.vertexCount * size ? found : undefined;
      },
      colours: () => {
        const values = mesh.attributes.COLOR_0;
        return values ? { values, size: values.length / mesh.vertexCount } : undefined;
      },
    };
  }
  const at = (name: string, size: number): Float64Array | undefined => {
    const accessor = primitive.attributes[name];
    if (accessor === undefined || accessors[accessor]!.count !== vertexCount) return undefined;
    const type = `VEC${size}` as 'VEC2' | 'VEC3' | 'VEC4';
    return accessors[accessor]!.type === type ? readAccessor(container, accessor, type) : undefined;
  };
  return {
    isDraco: false,
    vertexCount,
    indexCount: primitive.indices === undefined ? vertexCount : accessors[primitive.indices]!.count,
    values: at,
    colours: () => {
      for (const size of [3, 4]) {
        const values = at('COLOR_0', size);
        if (values) return { values, size };
      }
      return undefined;
    },
  };
}

function materialOf({ container }: Character, index: number | undefined): MaterialLook {
  const { materials = [], textures = [] } = documentOf(container) as {
    materials?: {
      pbrMetallicRoughness?: { baseColorFactor?: number[]; baseColorTexture?: { index: number } };
      alphaMode?: string;
      doubleSided?: boolean;
    }[];
    textures?: { source?: number }[];
  };
  const material = index === undefined ? undefined : materials[index];
  const pbr = material?.pbrMetallicRoughness;
  const texture = pbr?.baseColorTexture;
  return {
    factor: pbr?.baseColorFactor ?? [1, 1, 1, 1],
    image: texture ? (textures[texture.index]?.source ?? null) : null,
    alphaMode: material?.alphaMode ?? 'OPAQUE',
    doubleSided: material?.doubleSided ?? false,
  };
}

/** The images that the surfaces name, decoded; null for one that lies in a file of its own or cannot be decoded. */
export async function readImages(
  character: Character,
  surfaces: readonly (Surface | null)[],
): Promise<(ImageBitmap | null)[]> {
  const { images = [], bufferViews = [] } = documentOf(character.container) as {
    images?: { bufferView?: number; mimeType?: string; uri?: string }[];
    bufferViews?: { buffer: number; byteOffset?: number; byteLength: number }[];
  };
  const wanted = new Set(surfaces.flatMap((surface) => surface?.groups.map(({ image }) => image) ?? []));
  return Promise.all(
    images.map(async ({ bufferView, mimeType, uri }, i) => {
      if (!wanted.has(i)) return null;
      try {
        let blob: Blob;
        if (bufferView !== undefined) {
          const { buffer, byteOffset = 0, byteLength } = bufferViews[bufferView]!;
          const bytes = character.container.buffers[buffer]!.slice(byteOffset, byteOffset + byteLength);
          blob = new Blob([bytes as Uint8Array<ArrayBuffer>], { type: mimeType });
        } else if (uri?.startsWith('data:')) {
          const [head, data] = uri.split(',', 2) as [string, string];
          const bytes = Uint8Array.from(atob(data), (c) => c.charCodeAt(0));
          blob = new Blob([bytes], { type: /^data:([^;]*)/.exec(head)?.[1] });
        } else {
          return null;
        }
        return await createImageBitmap(blob, { premultiplyAlpha: 'none', colorSpaceConversion: 'none' });
      } catch {
        // A picture that the browser cannot decode leaves the mesh in its plain colour.
        return null;
      }
    }),
  );
}
