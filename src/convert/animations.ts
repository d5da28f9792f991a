import { RigproofError } from '../errors.ts';
import type { Character } from '../formats/gltf/character.ts';
import { nearestName } from '../pairing/nearest-name.ts';

/**
 * Index of the animation that is meant.
 * @param which  its name or its index; left out: the only one, or the last where `otherwise` says so
 * @throws RigproofError CLIP_NO_ANIMATION, CLIP_WHICH when there are several and none is named
 */
export function findAnimation(character: Character, which: string | undefined, otherwise: 'ask' | 'last'): number {
  const { animations, name: file } = character;
  const names = animations.map(({ name }) => name);
  if (names.length === 0) {
    throw new RigproofError(
      'CLIP_NO_ANIMATION',
      'The character has no animation.',
      { file },
      {
        hint: 'Give a clip (.bvh), or a character file that has one.',
      },
    );
  }
  if (which === undefined) {
    if (names.length === 1) return 0;
    if (otherwise === 'last') return names.length - 1;
    throw new RigproofError(
      'CLIP_WHICH',
      `The file has ${names.length} animations: ${names.join(', ')}.`,
      { file },
      { hint: 'Say which with --animation NAME.' },
    );
  }
  const byName = names.indexOf(which);
  if (byName >= 0) return byName;
  if (/^\d+$/.test(which) && Number(which) < names.length) return Number(which);
  const near = nearestName(which, names);
  throw new RigproofError(
    'CLIP_NO_ANIMATION',
    `There is no animation "${which}".`,
    { file },
    {
      hint: near ? `Did you mean "${near}"?` : `There are ${names.join(', ')}.`,
    },
  );
}
