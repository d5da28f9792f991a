import { type Note, RigproofError } from '../errors.ts';
import type { Character } from '../formats/gltf/character.ts';
import { writeWeights } from '../formats/gltf/write-weights.ts';
import type { AuditInput } from '../rig/audit.ts';
import { type MendAction, planMending } from '../rig/mend.ts';

/** A mended copy of a character's file, and what was done to it. */
export interface Mended {
  /** A self-contained .glb. */
  bytes: Uint8Array;
  /** Empty when there was nothing to mend: the copy then holds what the original holds. */
  actions: MendAction[];
  notes: Note[];
}

/**
 * Mends what can be mended safely in a character's weights: normalised, pruned to four influences, negative weights
 * removed, weight of controls moved to the nearest deforming joint, missing weights mirrored or taken from the
 * neighbours. The character is not touched.
 * @param input  of `auditInput(character)`
 * @throws RigproofError MEND_NO_MESH, and those of `writeWeights`
 */
export function mendCharacter(character: Character, input: AuditInput): Mended {
  if (character.skins.length === 0) {
    throw new RigproofError(
      'MEND_NO_MESH',
      'There is no mesh that joints move: nothing can be mended.',
      { file: character.name },
      { hint: 'Mending is about skin weights; run the audit without --mend.' },
    );
  }
  const { actions, meshes } = planMending(input);
  return { actions, ...writeWeights(character, meshes) };
}
