/**
 * The plain way with three alone, as a process: BVHLoader → SkeletonUtils.retargetClip → GLTFExporter, for every clip of
 * a folder onto every rig. Arguments: a JSON file with { clips, rigs: [{ file, hip, names }] }, joint names of the rig →
 * of the clip. Prints { seconds, jobs, bytes } as JSON. No contact, no proof; textures are left out, which favours it.
 */
import { readFileSync } from 'node:fs';
import type { SkinnedMesh } from 'three';
import { AnimationMixer, type Object3D } from 'three';
import { GLTFExporter } from 'three/addons/exporters/GLTFExporter.js';
import { BVHLoader } from 'three/addons/loaders/BVHLoader.js';
import * as SkeletonUtils from 'three/addons/utils/SkeletonUtils.js';
import { parseContainer } from '../../src/formats/gltf/container.ts';
import { loadWithThree } from '../support/three-gltf.ts';

/** What GLTFExporter needs of a browser, by Node's own Blob. */
class BlobReader {
  result: ArrayBuffer | null = null;
  onloadend: (() => void) | null = null;
  readAsArrayBuffer(blob: Blob): void {
    void blob.arrayBuffer().then((buffer) => {
      this.result = buffer;
      this.onloadend?.();
    });
  }
}
Object.assign(globalThis, { FileReader: BlobReader });

interface Plan {
  clips: string[];
  rigs: { file: string; hip: string; names: Record<string, string> }[];
}

const plan = JSON.parse(readFileSync(process.argv[2]!, 'utf8')) as Plan;
const rigs = [];
for (const rig of plan.rigs) {
  const { scene } = await loadWithThree(parseContainer(new Uint8Array(readFileSync(rig.file)), rig.file));
  let mesh: SkinnedMesh | null = null;
  scene.traverse((object: Object3D) => {
    if ((object as SkinnedMesh).isSkinnedMesh) mesh ??= object as SkinnedMesh;
  });
  if (mesh === null) throw new Error(`${rig.file} has no skin.`);
  rigs.push({ ...rig, scene, mesh: mesh as SkinnedMesh });
}
const exporter = new GLTFExporter();
let jobs = 0;
let bytes = 0;
for (const path of plan.clips) {
  const { skeleton, clip } = new BVHLoader().parse(readFileSync(path, 'utf8'));
  const root = skeleton.bones[0]!;
  // retargetClip takes an object that has a skeleton and plays the clip.
  const source = Object.assign(root, { skeleton }) as unknown as SkinnedMesh;
  new AnimationMixer(source).clipAction(clip);
  for (const { scene, mesh, hip, names } of rigs) {
    const fps = (clip.tracks[0]!.times.length - 1) / clip.duration;
    const retargeted = SkeletonUtils.retargetClip(mesh, source, clip, { hip, names, fps });
    for (const track of retargeted.tracks) track.name = track.name.replace(/^\.bones\[(.*)\]\./, '$1.');
    const glb = (await exporter.parseAsync(scene, { binary: true, animations: [retargeted] })) as ArrayBuffer;
    bytes += glb.byteLength;
    jobs++;
  }
}
console.log(JSON.stringify({ seconds: process.uptime(), jobs, bytes }));
