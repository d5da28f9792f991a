import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import type { Character } from '../../src/formats/gltf/character.ts';
import type { GltfContainer } from '../../src/formats/gltf/container.ts';
import { createDracoDecoder } from '../../src/formats/gltf/draco.ts';
import { readContainerFile } from '../../src/formats/gltf/node.ts';
import { readCharacter } from '../../src/formats/gltf/read-character.ts';
import { createWorldPose, forwardKinematics, type WorldPose } from '../../src/skeleton/skeleton.ts';

const FOLDER = join(import.meta.dirname, '../../../shared/data/rigs');

/** Shared rigs are not part of the repository; tests that need them are skipped where they are absent. */
export const HAS_RIGS = existsSync(join(FOLDER, 'truth.json'));
export const RIGS_REASON = HAS_RIGS ? '' : ' (skipped: the folder ../shared/data/rigs is absent)';

export const RIG_FILES: readonly string[] = HAS_RIGS
  ? readdirSync(FOLDER).filter((file) => file !== 'truth.json')
  : ['absent'];

export function rigPath(file: string): string {
  return join(FOLDER, file);
}

export interface RigTruth {
  humanoid: boolean;
  left: string;
  rest_pose: string;
  bind_pose?: string | null;
  rest_equals_bind: boolean | null;
  height: number;
  height_from: string;
  skin_joints: number;
  animations: number;
  roles?: { [role: string]: string | null | (string | null)[] };
}

export function rigTruth(): { [file: string]: RigTruth } {
  return JSON.parse(readFileSync(rigPath('truth.json'), 'utf8')).files;
}

export async function readRig(file: string): Promise<{ container: GltfContainer; character: Character }> {
  const container = readContainerFile(rigPath(file));
  return { container, character: readCharacter(container, { dracoDecoder: await createDracoDecoder() }) };
}

/** World pose of the skeleton at node rest, whatever reference pose was chosen. */
export function nodeRestWorld(character: Character): WorldPose {
  const { skeleton, otherPoses } = character;
  const pose = otherPoses.find(({ kind }) => kind === 'node rest');
  const world = createWorldPose(skeleton.jointCount);
  forwardKinematics(
    skeleton.parents,
    pose?.rotations ?? skeleton.restRotations,
    pose?.translations ?? skeleton.restTranslations,
    world,
  );
  return world;
}
