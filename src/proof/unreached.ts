/** Plants that could not be reached, as the maker of a motion reports them: put on the target's frames, and in words. */
import { SIDES } from '../skeleton/side.ts';
import type { UnreachedCause, UnreachedPlant } from '../skeleton/unreached-plant.ts';
import type { Evidence } from './evidence.ts';
import type { Proof, Where } from './measure.ts';
import type { Span } from './spans.ts';

/** The reports on the target's frames; null where nothing was said. Seconds count from the target's first frame. */
export function unreachedOnTarget({ options, source, target }: Evidence): UnreachedPlant[] | null {
  if (!options.unreached) return null;
  const { frameCount, frameDuration } = target;
  if (!(frameDuration > 0)) return [];
  const shift = source ? -(options.frameOffset ?? 0) * source.figure.clip.frameDuration : 0;
  return options.unreached.flatMap((plant) => {
    const first = Math.max(0, Math.round((plant.start + shift) / frameDuration));
    const last = Math.min(frameCount - 1, Math.round((plant.end + shift) / frameDuration));
    if (last < first) return [];
    return [{ ...plant, start: first * frameDuration, end: last * frameDuration, frames: [first, last] as Span }];
  });
}

const CAUSES: Record<UnreachedCause, { why: string; mend: string }> = {
  'other foot': {
    why: 'both feet stand, and stand farther apart than the two legs span',
    mend: 'lengthen the legs of the rig, or allow limbs to stretch a little (--allow-stretch 5)',
  },
  'shift limit': {
    why: 'the pelvis has given way as far as it may',
    mend: 'lengthen the legs of the rig, or allow limbs to stretch a little (--allow-stretch 5)',
  },
  'pelvis speed': {
    why: 'the pelvis would have to move faster than a person moves it',
    mend: 'allow limbs to stretch a little (--allow-stretch 5)',
  },
};

/** `left foot, frames 12–40: the leg is 3.21 % too short (12.4 mm): both feet stand, and …` */
export function formatUnreached({ side, frames: [first, last], share, distance, cause }: UnreachedPlant): string {
  const frames = first === last ? `frame ${first}` : `frames ${first}–${last}`;
  const metres = `${(share * 100).toFixed(2)} % too short (${(distance * 1000).toPrecision(3)} mm)`;
  return `${side} foot, ${frames}: the leg is ${metres}: ${CAUSES[cause].why}`;
}

/** The worst of each side first, then the rest in time. */
export function worstUnreached({ unreached }: Pick<Proof, 'unreached'>): UnreachedPlant[] {
  return [...(unreached ?? [])].sort((a, b) => b.share - a.share);
}

/** How many plants a remedy names. */
const NAMED = 2;

/**
 * The remedy for feet that leave their plants: what could not be reached, where that explains the failing places; and
 * what to do about the others, where it does not explain all. Undefined where it explains none.
 * @param failing  places above the threshold, of feet and toes
 */
export function unreachedRemedy(
  failing: readonly Where[],
  unreached: readonly UnreachedPlant[],
  otherwise: string,
): string | undefined {
  const explaining = new Set<UnreachedPlant>();
  let explained = 0;
  for (const { role, frames } of failing) {
    const side = SIDES.find((its) => role.startsWith(its));
    const own = unreached.filter(
      (plant) => plant.side === side && plant.frames[0] <= frames[1] && plant.frames[1] >= frames[0],
    );
    if (own.length > 0) explained++;
    for (const plant of own) explaining.add(plant);
  }
  if (explained === 0) return undefined;
  const named = worstUnreached({ unreached: [...explaining] });
  const causes = [...new Set(named.map(({ cause }) => cause))];
  const more = named.length > NAMED ? `; and ${named.length - NAMED} more` : '';
  const list = named.slice(0, NAMED).map(formatUnreached).join('; ');
  const mend = causes.map((cause) => CAUSES[cause].mend).join('; or ');
  const rest = explained < failing.length ? ` Elsewhere: ${otherwise}` : '';
  return `could not be reached: ${list}${more}. For these, ${mend}.${rest}`;
}
