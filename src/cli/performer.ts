import { findAnimation } from '../convert/animations.ts';
import type { OpenedFile } from '../convert/node.ts';
import {
  type Performer,
  type PerformerOptions,
  performerFromBvh,
  performerFromCharacter,
} from '../convert/performer.ts';
import { SAMPLE_FPS } from '../convert/reread.ts';
import { RigproofError } from '../errors.ts';
import type { Character } from '../formats/gltf/character.ts';
import type { BodyConstraints } from '../pairing/read-body.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';

/** Flags that say what of a source is used. */
export interface SourceFlags {
  animation?: string;
  fps?: number;
  keepRestFrames?: boolean;
}

/** A file that gives motion as a performer, under the constraints for its skeleton. */
export function performerOf(
  path: string,
  opened: OpenedFile,
  constraintsOf: (skeleton: Skeleton) => BodyConstraints & { anyBody?: boolean },
  flags: SourceFlags,
): Performer {
  const { keepRestFrames } = flags;
  if (opened.kind === 'clip') {
    const take = opened.file.takes[0]!;
    const options: PerformerOptions = { ...constraintsOf(take.skeleton), keepRestFrames };
    return performerFromBvh(path, take, opened.file.notes, options);
  }
  const { character } = opened;
  const animation = findAnimation(character, flags.animation, 'ask');
  const options: PerformerOptions = { ...constraintsOf(character.skeleton), keepRestFrames };
  return performerFromCharacter(character, animation, flags.fps ?? SAMPLE_FPS, options);
}

/** The character of a file that has to be one. */
export function requireCharacter(opened: OpenedFile, path: string): Character {
  if (opened.kind === 'character') return opened.character;
  throw new RigproofError(
    'FILE_NOT_CHARACTER',
    'This is a BVH clip; expected a character.',
    { file: path },
    {
      hint: 'Give the clip first and then the character: a .glb, .gltf or .vrm.',
    },
  );
}
