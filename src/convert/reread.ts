import { withMeshTips } from '../alignment/mesh-tips.ts';
import type { Character } from '../formats/gltf/character.ts';
import { readAnimation } from '../formats/gltf/read-animation.ts';
import type { RoleMap } from '../pairing/roles.ts';
import type { ProofFigure } from '../proof/measure.ts';
import { placeClip, placeSkeleton, placeSkin } from '../skeleton/normalise.ts';
import type { DeliveryExtras } from './deliver.ts';
import type { Receiver } from './receiver.ts';

/** Frames a second at which an animation is sampled when nothing tells its own rate. */
export const SAMPLE_FPS = 60;

/**
 * A character that was read back from a delivered file, playing one of its animations, as the proof sees it. Roles and
 * placement are those that were decided before; everything else comes from the file.
 */
export function rereadFigure(receiver: Receiver, written: Character, animation: number): ProofFigure {
  const { placement, actor, character } = receiver;
  const { clip } = readAnimation(written, animation, writtenRate(written, animation));
  const jointOfNode = new Map([...written.binding.nodes].map((node, joint) => [node, joint]));
  const roles: RoleMap = {};
  for (const [role, joint] of Object.entries(actor.body.roles) as [keyof RoleMap, number][]) {
    // The file has the same nodes in the same order; which of them are joints may differ, since more of them move now.
    const found = jointOfNode.get(character.binding.nodes[joint]!);
    if (found !== undefined) roles[role] = found;
  }
  const skins = written.skins.map((mesh) => placeSkin(mesh, placement));
  return {
    skeleton: withMeshTips(placeSkeleton(written.skeleton, placement), roles, skins),
    clip: placeClip(clip, written.skeleton, placement),
    roles,
    skins,
  };
}

/** Frames a second of an animation, as `deliver` noted it beside; else `SAMPLE_FPS`. */
export function writtenRate(character: Character, animation: number): number {
  const { animations } = character.container.json as { animations?: { extras?: Partial<DeliveryExtras> }[] };
  const duration = animations?.[animation]?.extras?.rigproof?.frameDuration;
  return typeof duration === 'number' && duration > 0 ? 1 / duration : SAMPLE_FPS;
}
