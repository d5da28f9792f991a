import { readFileSync } from 'node:fs';
import { parseBvh } from '../../src/formats/bvh/index.ts';
import type { Role, RoleMap } from '../../src/pairing/roles.ts';
import type { Clip } from '../../src/skeleton/clip.ts';
import { placeClip, placementOf, placeSkeleton } from '../../src/skeleton/normalise.ts';
import type { Skeleton } from '../../src/skeleton/skeleton.ts';

interface ClipTruth {
  roles: Record<string, string | string[] | null>;
  unit_to_m: number | null;
  height: number;
  zero_pose: { up: string };
  motion: { up: string; first_motion_frame: number };
}

/** Metres: the stature taken for a clip whose unit nobody knows. */
const STATURE = 1.7;

/**
 * A clip of ../shared/data/bvh in world space (metres, Y up), with the roles, unit, up axis and first frame of motion
 * that its truth table states: nothing of it is measured here.
 */
export function truthClip(
  folder: URL,
  file: string,
  like = file,
): { skeleton: Skeleton; clip: Clip; roles: RoleMap; fps: number } {
  const table: { files: Record<string, ClipTruth> } = JSON.parse(
    readFileSync(new URL('../bvh/truth.json', folder), 'utf8'),
  );
  const truth = table.files[like]!;
  const take = parseBvh(new Uint8Array(readFileSync(new URL(file, folder))), file).takes[0]!;
  const up = truth.motion.up === '+Z' ? [0, 0, 1] : [0, 1, 0];
  const facing = truth.motion.up === '+Z' ? [0, -1, 0] : [0, 0, 1];
  const placement = placementOf(up, facing, truth.unit_to_m ?? STATURE / truth.height, 0);
  const roles: RoleMap = {};
  for (const [role, name] of Object.entries(truth.roles)) {
    const joint = take.skeleton.names.indexOf((Array.isArray(name) ? name[0] : name) ?? '');
    if (joint >= 0) roles[role as Role] = joint;
  }
  const placed = placeClip(take.clip, take.skeleton, placement);
  const first = truth.motion.first_motion_frame;
  const clip: Clip = {
    ...placed,
    frameCount: placed.frameCount - first,
    rotations: placed.rotations.slice(first * placed.jointCount * 4),
    translations: placed.translations.slice(first * placed.translationJoints.length * 3),
  };
  return { skeleton: placeSkeleton(take.skeleton, placement), clip, roles, fps: 1 / clip.frameDuration };
}
