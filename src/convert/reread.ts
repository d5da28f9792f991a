import { withMeshTips } from '../alignment/mesh-tips.ts';
import { RigproofError } from '../errors.ts';
import { type CharacterWithMore, readAddedAnimations } from '../formats/gltf/added-animations.ts';
import type { Character } from '../formats/gltf/character.ts';
import type { GltfContainer } from '../formats/gltf/container.ts';
import type { DracoDecoder } from '../formats/gltf/draco.ts';
import { readAnimation } from '../formats/gltf/read-animation.ts';
import type { AnimationTracks } from '../formats/gltf/tracks.ts';
import type { RoleMap } from '../pairing/roles.ts';
import type { ProofFigure } from '../proof/measure.ts';
import { placeClip, placeSkeleton, placeSkin } from '../skeleton/normalise.ts';
import type { DeliveryExtras } from './deliver.ts';
import { openCharacter } from './open-character.ts';
import type { Receiver } from './receiver.ts';

/** Frames a second at which an animation is sampled when nothing tells its own rate. */
export const SAMPLE_FPS = 60;

/** A character that was read back from a delivered file, with the keys of its animations where they were read on the way. */
export interface RereadCharacter {
  character: Character;
  tracks?: CharacterWithMore['tracks'];
}

/**
 * Reads a delivered file back. What of it equals the character that it was made from, byte by byte, is not interpreted
 * once more: in a batch, hundreds of files hold the same mesh.
 * @param draco  as for `openCharacter`
 * @throws RigproofError as `readCharacter`
 */
export async function rereadCharacter(
  { character }: Receiver,
  container: GltfContainer,
  draco?: () => Promise<DracoDecoder>,
): Promise<RereadCharacter> {
  const { kind } = character.referencePose;
  return (
    readAddedAnimations(character, container) ?? {
      character: await openCharacter(container, { referencePose: kind }, draco),
    }
  );
}

/**
 * A character that was read back from a delivered file, playing one of its animations, as the proof sees it. Roles and
 * placement are those that were decided before; everything else comes from the file.
 * @param written  as `rereadCharacter` reads it: opened as a file of unknown origin, the motion in it may be taken for its
 *   reference pose, and its soles are then measured on feet in mid-stride
 * @param keys     those of the animation, where they have been read before
 * @throws RigproofError REREAD_REFERENCE_POSE where the two have reference poses of different kinds
 */
export function rereadFigure(
  receiver: Receiver,
  written: Character,
  animation: number,
  keys?: AnimationTracks,
): ProofFigure {
  const { placement, actor, character } = receiver;
  const [taken, found] = [character.referencePose.kind, written.referencePose.kind];
  if (taken !== found) {
    throw new RigproofError(
      'REREAD_REFERENCE_POSE',
      `The reference pose of the written character is its ${found}; the motion was made for its ${taken}.`,
      {},
      { hint: 'Read the written file with rereadCharacter, which takes the same pose.' },
    );
  }
  const { clip } = readAnimation(written, animation, writtenRate(written, animation), keys);
  if (written.skeleton === character.skeleton && written.skins === character.skins) {
    const { skeleton, body } = actor;
    return { skeleton, clip: placeClip(clip, skeleton, placement), roles: body.roles, skins: receiver.skins };
  }
  const jointOfNode = new Map([...written.binding.nodes].map((node, joint) => [node, joint]));
  const roles: RoleMap = {};
  for (const [role, joint] of Object.entries(actor.body.roles) as [keyof RoleMap, number][]) {
    // The file has the same nodes in the same order; which of them are joints may differ, since more of them move now.
    const node = jointOfNode.get(character.binding.nodes[joint]!);
    if (node !== undefined) roles[role] = node;
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
