import { alignFigure } from '../alignment/alignment.ts';
import { withMeshTips } from '../alignment/mesh-tips.ts';
import { restAnkleHeights } from '../alignment/soles.ts';
import { soleOf } from '../contact/measure-soles.ts';
import type { Sole } from '../contact/sole.ts';
import type { Note } from '../errors.ts';
import type { Character } from '../formats/gltf/character.ts';
import type { Body } from '../pairing/body.ts';
import { type BodyConstraints, readBody } from '../pairing/read-body.ts';
import { sidedRole } from '../pairing/roles.ts';
import type { Actor } from '../retarget/actor.ts';
import type { Clip } from '../skeleton/clip.ts';
import {
  inversePlacement,
  type Placement,
  placeClip,
  placementOf,
  placeSkeleton,
  placeSkin,
} from '../skeleton/normalise.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import type { SkinMesh } from '../skeleton/skin.ts';
import { hangingSoles } from './hanging-soles.ts';
import { requireHumanoid } from './performer.ts';
import { needsNodeAbove, type RootMotion } from './root-motion.ts';

/** The character that takes the motion, in world space, with the way back to its file. */
export interface Receiver {
  character: Character;
  actor: Actor;
  /** World space. */
  skins: SkinMesh[];
  /** Heel, ball and toe tip of its feet; a body without legs has none. */
  soles?: Record<Side, Sole>;
  /** In file space. */
  body: Body;
  /** File space → world space. */
  placement: Placement;
  notes: Note[];
}

export interface ReceiverOptions extends BodyConstraints {
  /** Takes a body that is not human too: chains that are paired by hand can move it. */
  anyBody?: boolean;
}

/** Reads a character as a body and aligns it. Throws PAIR_NOT_HUMANOID with the reason. */
export function createReceiver(character: Character, options: ReceiverOptions = {}): Receiver {
  const body = readBody({
    skeleton: character.skeleton,
    skins: character.skins,
    skinned: character.skinned,
    table: character.humanoidTable ?? undefined,
    declaredMetres: true,
    ...options,
  });
  if (!options.anyBody) requireHumanoid(body, character.name);
  const { up, facing, metresPerUnit, floor } = body.frame;
  const placement = placementOf(up, facing, metresPerUnit, floor);
  const skins = character.skins.map((mesh) => placeSkin(mesh, placement));
  const skeleton = withMeshTips(placeSkeleton(character.skeleton, placement), body.roles, skins);
  const hasLegs = SIDES.every((side) => body.roles[sidedRole(side, 'LowerLeg')] !== undefined);
  const soles = hasLegs ? soleOf(skeleton, body.roles, skins) : undefined;
  const hanging = soles && hangingSoles(skeleton, soles);
  const [left, right] = restAnkleHeights(skeleton, body.roles, skins);
  const heights = [hanging?.ankleHeights[0] ?? left, hanging?.ankleHeights[1] ?? right] as const;
  const alignment = alignFigure(skeleton, body, heights, hanging);
  return {
    character,
    actor: { skeleton, body, alignment },
    skins,
    soles,
    body,
    placement,
    notes: [...character.notes, ...body.notes],
  };
}

/**
 * A receiver that can take the root motion that is asked for.
 * @param read  reads the character, with the node above its hips as a joint or without; called twice where that has to be one
 */
export async function receiverFor(
  rootMotion: RootMotion,
  read: (nodeAbove: boolean) => Promise<Receiver>,
): Promise<Receiver> {
  const receiver = await read(false);
  return needsNodeAbove(receiver.actor, rootMotion) ? read(true) : receiver;
}

/** A clip on the receiver's skeleton, back from world space to the space of its file, ready to be written. */
export function toFileSpace(receiver: Receiver, clip: Clip): Clip {
  return placeClip(clip, receiver.actor.skeleton, inversePlacement(receiver.placement));
}
