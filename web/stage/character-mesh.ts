import * as THREE from 'three';
import { jointMatrices, type SkinMesh, type WorldPose } from '../../src/index.ts';
import type { ReceiverData, Surface } from '../worker/protocol.ts';
import type { Colours } from './colours.ts';

/** Influences a vertex that the graphics card blends; more are kept in the proof, and left out of the picture. */
const SHOWN_INFLUENCES = 4;

/** A skeleton whose bone matrices are written as they are, without scene nodes. */
class WrittenSkeleton extends THREE.Skeleton {
  private readonly skin: SkinMesh;
  private readonly scratch: Float64Array;

  constructor(skin: SkinMesh) {
    const jointCount = skin.bind.length / 12;
    super(
      Array.from({ length: jointCount }, () => new THREE.Bone()),
      Array.from({ length: jointCount }, () => new THREE.Matrix4()),
    );
    this.skin = skin;
    this.scratch = new Float64Array(skin.bind.length);
  }

  setPose(pose: WorldPose): void {
    const { scratch } = this;
    const boneMatrices = this.boneMatrices!;
    jointMatrices(this.skin, pose, scratch);
    for (let m = 0, b = 0; m < scratch.length; m += 12, b += 16) {
      for (let column = 0; column < 4; column++) {
        for (let row = 0; row < 3; row++) boneMatrices[b + column * 4 + row] = scratch[m + row * 4 + column]!;
      }
      boneMatrices[b + 15] = 1;
    }
    if (this.boneTexture) this.boneTexture.needsUpdate = true;
  }

  override update(): void {
    // Written by setPose; there are no nodes to follow.
  }
}

interface Part {
  skin: SkinMesh;
  mesh: THREE.SkinnedMesh;
  skeleton: WrittenSkeleton;
  /** As the file colours it, and as a heat map. */
  own: THREE.BufferAttribute;
  heat: THREE.BufferAttribute;
  materials: THREE.MeshStandardMaterial[];
  maps: (THREE.Texture | null)[];
}

/** The character's meshes, posed joint by joint. */
export class CharacterMesh {
  readonly group = new THREE.Group();
  readonly parts: Part[] = [];
  private readonly textures: (THREE.Texture | null)[];

  constructor({ skins, surfaces, images }: Pick<ReceiverData, 'skins' | 'surfaces' | 'images'>) {
    this.textures = images.map((image) => {
      if (!image) return null;
      const texture = new THREE.Texture(image);
      texture.flipY = false;
      texture.colorSpace = THREE.SRGBColorSpace;
      texture.wrapS = THREE.RepeatWrapping;
      texture.wrapT = THREE.RepeatWrapping;
      texture.needsUpdate = true;
      return texture;
    });
    skins.forEach((skin, i) => {
      const part = this.build(skin, surfaces[i] ?? null);
      this.parts.push(part);
      this.group.add(part.mesh);
    });
  }

  private build(skin: SkinMesh, surface: Surface | null): Part {
    const geometry = new THREE.BufferGeometry();
    geometry.setAttribute('position', new THREE.BufferAttribute(skin.positions, 3));
    geometry.setIndex(new THREE.BufferAttribute(skin.triangles, 1));
    if (surface?.normals) geometry.setAttribute('normal', new THREE.BufferAttribute(surface.normals, 3));
    else geometry.computeVertexNormals();
    if (surface?.uvs) geometry.setAttribute('uv', new THREE.BufferAttribute(surface.uvs, 2));
    const { joints, weights } = strongest(skin);
    geometry.setAttribute('skinIndex', new THREE.BufferAttribute(joints, 4));
    geometry.setAttribute('skinWeight', new THREE.BufferAttribute(weights, 4));
    const own = new THREE.BufferAttribute(surface?.colours ?? new Float32Array(skin.vertexCount * 3).fill(0.62), 3);
    geometry.setAttribute('color', own);
    if (isMirrored(skin)) geometry.setIndex(new THREE.BufferAttribute(turnedOver(skin.triangles), 1));
    const groups = surface?.groups ?? [
      { start: 0, count: skin.triangles.length, image: null, alphaMode: 'OPAQUE', doubleSided: true },
    ];
    const maps: Part['maps'] = [];
    const materials = groups.map(({ start, count, image, alphaMode }, m) => {
      geometry.addGroup(start, count, m);
      const map = image === null ? null : (this.textures[image] ?? null);
      maps.push(map);
      return new THREE.MeshStandardMaterial({
        roughness: 0.85,
        vertexColors: true,
        side: THREE.DoubleSide,
        map,
        alphaTest: alphaMode === 'MASK' ? 0.5 : 0,
        transparent: alphaMode === 'BLEND',
      });
    });
    const mesh = new THREE.SkinnedMesh(geometry, materials);
    const skeleton = new WrittenSkeleton(skin);
    mesh.bindMode = THREE.DetachedBindMode;
    mesh.bind(skeleton, new THREE.Matrix4());
    mesh.frustumCulled = false;
    mesh.castShadow = true;
    const heat = new THREE.BufferAttribute(new Float32Array(skin.vertexCount * 3), 3);
    return { skin, mesh, skeleton, own, heat, materials, maps };
  }

  setPose(pose: WorldPose): void {
    for (const { skeleton } of this.parts) skeleton.setPose(pose);
  }

  /**
   * Shows a value of each vertex in place of the file's colours.
   * @param values  0 to 1 a vertex, one array a mesh; null for the file's own colours
   */
  setHeat(values: readonly Float32Array[] | null, colours: Colours, faint: boolean): void {
    const from = new THREE.Color(colours.plain);
    const to = new THREE.Color(colours.mark);
    this.parts.forEach(({ mesh, own, heat, materials, maps }, i) => {
      const shown = values?.[i];
      if (shown) {
        for (let v = 0; v < shown.length; v++) {
          const t = shown[v]!;
          heat.setXYZ(v, from.r + (to.r - from.r) * t, from.g + (to.g - from.g) * t, from.b + (to.b - from.b) * t);
        }
        heat.needsUpdate = true;
      }
      mesh.geometry.setAttribute('color', shown ? heat : own);
      materials.forEach((material, m) => {
        const map = shown ? null : maps[m]!;
        const see = faint ? 0.45 : 1;
        // Vertices without a place have no normal either: facets show them all the same.
        const isHeat = shown !== undefined;
        if (material.map === map && material.opacity === see && material.flatShading === isHeat) return;
        material.map = map;
        material.flatShading = isHeat;
        material.opacity = see;
        material.transparent = faint;
        material.depthWrite = !faint;
        material.needsUpdate = true;
      });
    });
  }

  dispose(): void {
    for (const { mesh, skeleton, materials } of this.parts) {
      mesh.geometry.dispose();
      skeleton.dispose();
      for (const material of materials) material.dispose();
    }
    for (const texture of this.textures) texture?.dispose();
  }
}

/** The strongest influences of each vertex; the card divides by nothing, so they are made to sum to 1. */
function strongest({ vertexCount, influences, joints, weights }: SkinMesh): {
  joints: Uint16Array;
  weights: Float32Array;
} {
  const outJoints = new Uint16Array(vertexCount * SHOWN_INFLUENCES);
  const outWeights = new Float32Array(vertexCount * SHOWN_INFLUENCES);
  const order = Array.from({ length: influences }, (_, k) => k);
  for (let v = 0; v < vertexCount; v++) {
    const at = v * influences;
    const top = influences > SHOWN_INFLUENCES ? [...order].sort((a, b) => weights[at + b]! - weights[at + a]!) : order;
    let sum = 0;
    for (let k = 0; k < SHOWN_INFLUENCES; k++) sum += weights[at + top[k]!]!;
    for (let k = 0; k < SHOWN_INFLUENCES; k++) {
      outJoints[v * SHOWN_INFLUENCES + k] = joints[at + top[k]!]!;
      outWeights[v * SHOWN_INFLUENCES + k] = sum > 0 ? weights[at + top[k]!]! / sum : 0;
    }
  }
  return { joints: outJoints, weights: outWeights };
}

/** Whether the bind transforms turn the mesh inside out: then its triangles wind the other way round. */
function isMirrored({ bind }: SkinMesh): boolean {
  for (let j = 0; j < bind.length; j += 12) {
    const m = (r: number, c: number): number => bind[j + r * 4 + c]!;
    const det =
      m(0, 0) * (m(1, 1) * m(2, 2) - m(1, 2) * m(2, 1)) -
      m(0, 1) * (m(1, 0) * m(2, 2) - m(1, 2) * m(2, 0)) +
      m(0, 2) * (m(1, 0) * m(2, 1) - m(1, 1) * m(2, 0));
    if (det !== 0) return det < 0;
  }
  return false;
}

function turnedOver(triangles: Uint32Array): Uint32Array {
  const out = triangles.slice();
  for (let i = 0; i < out.length; i += 3) {
    out[i + 1] = triangles[i + 2]!;
    out[i + 2] = triangles[i + 1]!;
  }
  return out;
}
