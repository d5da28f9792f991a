import { readFileSync } from 'node:fs';
import { alignFigure } from '../../src/alignment/alignment.ts';
import { restAnkleHeights } from '../../src/alignment/soles.ts';
import type { Character } from '../../src/formats/gltf/character.ts';
import { parseContainer } from '../../src/formats/gltf/container.ts';
import { readCharacter } from '../../src/formats/gltf/read-character.ts';
import type { Role, RoleMap } from '../../src/pairing/roles.ts';
import { compileRetarget, type RetargetPlan } from '../../src/retarget/plan.ts';
import { retargetClip } from '../../src/retarget/retarget-clip.ts';
import type { Clip } from '../../src/skeleton/clip.ts';
import {
  inversePlacement,
  type Placement,
  placeClip,
  placementOf,
  placeSkeleton,
} from '../../src/skeleton/normalise.ts';
import { bodyOf } from './figure.ts';
import { rigPath, rigTruth } from './rigs.ts';
import { truthClip } from './truth-clip.ts';

const BVH_FOLDER = new URL('../../../shared/data/bvh/', import.meta.url);

/** The plan for a real clip and a real rig that stands Y up, facing +Z, with the roles of the truth tables. */
export function realPlan(
  clipName: string,
  rigName: string,
): { character: Character; plan: RetargetPlan; clip: Clip; placement: Placement } {
  const source = truthClip(BVH_FOLDER, clipName);
  const sourceBody = bodyOf(source.skeleton, source.roles, 1.7);
  const performer = {
    skeleton: source.skeleton,
    body: sourceBody,
    alignment: alignFigure(source.skeleton, sourceBody, restAnkleHeights(source.skeleton, source.roles, [])),
  };
  const character = readCharacter(parseContainer(new Uint8Array(readFileSync(rigPath(rigName))), rigName));
  const truth = rigTruth()[rigName]!;
  const roles: RoleMap = {};
  for (const [role, name] of Object.entries(truth.roles ?? {})) {
    const joint = character.skeleton.names.indexOf((Array.isArray(name) ? name[0] : name) ?? '');
    if (joint >= 0) roles[role as Role] = joint;
  }
  const metresPerUnit = 1.75 / truth.height;
  const placement = placementOf([0, 1, 0], [0, 0, 1], metresPerUnit, 0);
  const skeleton = placeSkeleton(character.skeleton, placement);
  const body = bodyOf(skeleton, roles, 1.75);
  const plan = compileRetarget(performer, {
    skeleton,
    body,
    alignment: alignFigure(skeleton, body, restAnkleHeights(skeleton, roles, [])),
  });
  return { character, plan, clip: source.clip, placement };
}

/** A real clip retargeted onto a real rig: what the writer gets to write, without depending on pairing. */
export function realJob(
  clipName: string,
  rigName: string,
): { character: Character; clip: Clip; metresPerUnit: number } {
  const { character, plan, clip, placement } = realPlan(clipName, rigName);
  const world = retargetClip(plan, { ...clip, name: clipName });
  const { skeleton } = plan.target;
  return { character, clip: placeClip(world, skeleton, inversePlacement(placement)), metresPerUnit: placement.scale };
}
