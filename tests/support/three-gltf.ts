import { WebIO } from '@gltf-transform/core';
import { KHRDracoMeshCompression } from '@gltf-transform/extensions';
import draco3d from 'draco3dgltf';
import type { AnimationClip, Group, Object3D } from 'three';
import { GLTFLoader } from 'three/addons/loaders/GLTFLoader.js';
import type { GltfContainer } from '../../src/formats/gltf/container.ts';
import { packGlb } from './gltf-builder.ts';

export interface ThreeGltf {
  scene: Group;
  animations: AnimationClip[];
  /** three's object of each node of the shown scene. */
  objects: Map<number, Object3D>;
}

/**
 * Loads a glTF file with three's GLTFLoader as a reference. Materials and images are left out, since they need a
 * browser; Draco meshes are decoded by glTF-Transform first, since three's decoder needs workers.
 */
export async function loadWithThree(container: GltfContainer): Promise<ThreeGltf> {
  const json = structuredClone(container.json) as {
    meshes?: { primitives: { material?: number; extensions?: object }[] }[];
    buffers?: { uri?: string }[];
    extensionsRequired?: string[];
    [key: string]: unknown;
  };
  for (const key of ['materials', 'textures', 'images', 'samplers']) delete json[key];
  for (const mesh of json.meshes ?? []) for (const primitive of mesh.primitives) delete primitive.material;
  for (const buffer of json.buffers ?? []) delete buffer.uri;
  let bytes = packGlb(JSON.stringify(json), container.buffers[0]);
  if (json.extensionsRequired?.includes('KHR_draco_mesh_compression')) {
    const io = new WebIO()
      .registerExtensions([KHRDracoMeshCompression])
      .registerDependencies({ 'draco3d.decoder': await draco3d.createDecoderModule({}) });
    const document = await io.readBinary(bytes);
    for (const extension of document.getRoot().listExtensionsUsed()) extension.dispose();
    bytes = await io.writeBinary(document);
  }
  const gltf = await new GLTFLoader().parseAsync(bytes.slice().buffer, '');
  const objects = new Map<number, Object3D>();
  for (const [object, reference] of gltf.parser.associations) {
    const nodes = (reference as { nodes?: number } | undefined)?.nodes;
    if (nodes !== undefined && 'isObject3D' in object) objects.set(nodes, object as Object3D);
  }
  gltf.scene.updateMatrixWorld(true);
  return { scene: gltf.scene, animations: gltf.animations, objects };
}
