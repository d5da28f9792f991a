import { RigproofError } from '../errors.ts';
import { nearestName } from '../pairing/nearest-name.ts';

/** What may stand in a naming template. */
export const NAME_PARTS = ['character', 'folder', 'clip'] as const;
export type NameParts = Record<(typeof NAME_PARTS)[number], string>;

export const DEFAULT_NAMING = '{character}/{folder}/{clip}';

/** @throws RigproofError BATCH_NAMING when a template holds an unknown part, or names nothing */
export function checkNaming(template: string): void {
  const fail = (message: string, hint: string): never => {
    throw new RigproofError('BATCH_NAMING', message, {}, { hint });
  };
  for (const [, part] of template.matchAll(/\{([^}]*)\}/g)) {
    if ((NAME_PARTS as readonly string[]).includes(part!)) continue;
    const near = nearestName(part!, NAME_PARTS);
    fail(
      `A name has no part "{${part}}".`,
      near ? `Did you mean {${near}}?` : `There are {character}, {folder}, {clip}.`,
    );
  }
  if (
    template
      .replaceAll(/\{[^}]*\}/g, '')
      .split('/')
      .includes('..') ||
    template.startsWith('/')
  ) {
    fail(`The name "${template}" leads out of the output folder.`, 'Give a name inside of it.');
  }
  if (!/\{(clip|character)\}/.test(template))
    fail(`The name "${template}" is the same for every clip.`, `For instance ${DEFAULT_NAMING}.`);
}

/** A path with slashes, without extension, fit for every file system. */
export function fillNaming(template: string, parts: NameParts): string {
  return template
    .replaceAll(/\{([^}]*)\}/g, (_, part: keyof NameParts) => parts[part])
    .split('/')
    .map(safeName)
    .filter((name) => name !== '')
    .join('/');
}

/** What Windows forbids in a name becomes a dash; no name begins or ends with a dot or a blank. */
function safeName(name: string): string {
  return name.replaceAll(/[<>:"|?*\\\p{Cc}]/gu, '-').replace(/^[. ]+|[. ]+$/g, '');
}

export interface Named {
  /** The wanted name. */
  name: string;
  /** What tells it from others of that name in a way that people understand: the extension. */
  kind: string;
  /** What tells it from all others, whatever else is in the list. */
  identity: string;
}

/**
 * Names that differ on every file system (upper and lower case count as one). Where several want one name, all of them
 * are named after their kind (`walk-bvh`, `walk-glb`), or where that does not help after their identity
 * (`walk-3fa2c1`): so a name does not depend on the order, nor on what else was added.
 */
export function distinctNames(wanted: readonly Named[]): string[] {
  const names = wanted.map(({ name }) => name);
  const key = (name: string) => name.toLowerCase();
  for (const suffix of [
    ({ kind }: Named) => kind,
    ({ identity }: Named) => identity.slice(0, 6),
    ({ identity }: Named) => identity,
  ]) {
    const clashes = clashing(names.map(key));
    if (clashes.length === 0) return names;
    for (const group of clashes) {
      const suffixes = group.map((i) => suffix(wanted[i]!));
      const helps = new Set(suffixes).size === suffixes.length;
      if (helps) for (const [k, i] of group.entries()) names[i] = `${wanted[i]!.name}-${suffixes[k]}`;
    }
  }
  // The very same file under two names: they are told apart by their order in the list.
  const taken = new Set<string>();
  return names.map((name) => {
    let free = name;
    for (let n = 2; taken.has(key(free)); n++) free = `${name}-${n}`;
    taken.add(key(free));
    return free;
  });
}

/** Groups of indices that share a key. */
function clashing(keys: readonly string[]): number[][] {
  const groups = new Map<string, number[]>();
  for (const [i, key] of keys.entries()) {
    const group = groups.get(key);
    if (group) group.push(i);
    else groups.set(key, [i]);
  }
  return [...groups.values()].filter((group) => group.length > 1);
}
