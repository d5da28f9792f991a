import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { Vector3 } from 'three';
import { BVHLoader } from 'three/addons/loaders/BVHLoader.js';
import { describe, expect, it } from 'vitest';
import { type BvhChannel, type BvhTake, parseBvh, writeBvh } from '../../src/formats/bvh/index.ts';
import { framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';

const FOLDER = new URL('../../../shared/data/bvh/', import.meta.url);
const hasData = existsSync(FOLDER);
/** Of the skeleton's height: what a clip read by two readers may differ by. */
const POSITION_TOLERANCE = 1e-4;

describe.skipIf(!hasData)("three's BVHLoader (needs ../shared/data/bvh)", () => {
  const files = hasData ? readdirSync(FOLDER).filter((file) => file.endsWith('.bvh')) : [];
  /** Standing height of each figure in file units, measured by those who collected the files. */
  const truth: { files: { [file: string]: { height: number } } } = hasData
    ? JSON.parse(readFileSync(new URL('truth.json', FOLDER), 'utf8'))
    : { files: {} };

  it('is compared on ten clips', () => {
    expect(files).toHaveLength(10);
  });

  it.each(files)('puts every joint of every frame of %s where we put it', (file) => {
    const bytes = new Uint8Array(readFileSync(new URL(file, FOLDER)));
    const { takes } = parseBvh(bytes, file);
    expect(takes).toHaveLength(1);
    const { largest, joints, frames } = compareWithThree(takes[0]!, new TextDecoder().decode(bytes));
    expect(joints).toBe(takes[0]!.skeleton.jointCount);
    expect(frames).toBe(takes[0]!.clip.frameCount);
    expect(largest).toBeLessThan(POSITION_TOLERANCE * truth.files[file]!.height);
  });

  it.each(files)('reads %s as we write it to the same places', (file) => {
    const [take] = parseBvh(new Uint8Array(readFileSync(new URL(file, FOLDER))), file).takes;
    const { skeleton, clip } = take!;
    // Without the channels given: one order for all joints, and position channels on the root.
    const channels = skeleton.names.map((_, j): BvhChannel[] => (j === 0 ? ['Xposition'] : []));
    const { largest, joints, frames } = compareWithThree({ skeleton, clip, channels }, writeBvh(skeleton, clip));
    expect(joints).toBe(skeleton.jointCount);
    expect(frames).toBe(clip.frameCount);
    expect(largest).toBeLessThan(POSITION_TOLERANCE * truth.files[file]!.height);
  });
});

/**
 * Largest distance between a joint of ours and three's, file units. three adds the OFFSET to the position channels
 * (BVHLoader.js, toTHREEAnimation); here they replace it, so it is taken off again where a joint has such channels.
 * It matters in figure8_walk.bvh alone, whose ROOT OFFSET is 11, 35, -54: three's walker floats 35 inches high.
 */
function compareWithThree({ skeleton, clip, channels }: BvhTake, text: string) {
  const { skeleton: threeSkeleton, clip: threeClip } = new BVHLoader().parse(text);
  const bones = threeSkeleton.bones.filter((bone) => bone.name !== 'ENDSITE');
  const root = bones[0]!;
  const local = restLocalPose(skeleton);
  const world = createWorldPose(skeleton.jointCount);
  const position = new Vector3();
  let largest = 0;
  const frames = threeClip.tracks[0]!.times.length;
  for (let f = 0; f < frames; f++) {
    bones.forEach((bone, j) => {
      bone.position.fromArray(threeClip.tracks[2 * j]!.values, f * 3);
      bone.quaternion.fromArray(threeClip.tracks[2 * j + 1]!.values, f * 4);
      if (channels[j]!.some((channel) => channel.endsWith('position'))) {
        bone.position.sub(position.fromArray(skeleton.restTranslations, j * 3));
      }
    });
    root.updateMatrixWorld(true);
    framePose(skeleton, clip, f, local, world);
    bones.forEach((bone, j) => {
      position.setFromMatrixPosition(bone.matrixWorld);
      const [x, y, z] = world.positions.subarray(j * 3, j * 3 + 3);
      largest = Math.max(largest, Math.hypot(position.x - x!, position.y - y!, position.z - z!));
    });
  }
  return { largest, joints: bones.length, frames };
}
