import { existsSync, readdirSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { Option } from 'commander';
import { RigproofError } from '../errors.ts';
import { readTextFile } from '../formats/node.ts';
import { applyConvention, applyMapping, type Mapping } from '../pairing/mapping.ts';
import { nearestName } from '../pairing/nearest-name.ts';
import type { BodyConstraints } from '../pairing/read-body.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';

/** The mappings that come with the program: `--source-mapping h-anim-1` finds `mappings/h-anim-1.json`. */
const READY = fileURLToPath(new URL('../../mappings/', import.meta.url));

/** A mapping with the name by which messages call it. */
export interface NamedMapping {
  name: string;
  mapping: Mapping;
}

type Axis = [number, number, number];

/** The flags of `frameOptions()`. */
export interface FrameFlags {
  up?: Axis;
  facing?: Axis;
  unit?: number;
}

/** The flags of `pairMappingOptions()`, and of `frameOptions` for both figures. */
export interface PairMappingFlags {
  mapping?: string;
  sourceMapping?: string;
  targetMapping?: string;
  sourceUp?: Axis;
  sourceFacing?: Axis;
  sourceUnit?: number;
  targetUp?: Axis;
  targetFacing?: Axis;
  targetUnit?: number;
}

export function mappingOption(flags: string, what: string): Option {
  return new Option(flags, `${what}: a mapping file, or one of ${readyNames().join(', ')}`);
}

/** For commands with two figures: one mapping for both, or one for each. */
export function pairMappingOptions(): Option[] {
  return [
    new Option('--mapping <file>', 'mapping file for both figures, as rigproof pair -o writes it'),
    mappingOption('--source-mapping <file>', 'roles of the clip'),
    mappingOption('--target-mapping <file>', 'roles of the character'),
  ];
}

/**
 * Reads the mapping that an option names: a file, or one that comes with the program.
 * @throws RigproofError MAP_NO_FILE and what `parseMapping` throws
 */
export async function readMapping(nameOrPath: string): Promise<NamedMapping> {
  const isFile = existsSync(nameOrPath);
  if (!isFile && !readyNames().includes(nameOrPath)) {
    const near = nearestName(nameOrPath, readyNames());
    throw new RigproofError(
      'MAP_NO_FILE',
      'There is no such mapping file.',
      { file: nameOrPath },
      {
        hint: near
          ? `Did you mean "${near}"?`
          : `Ready ones are ${readyNames().join(', ')}; rigproof pair -o writes one.`,
      },
    );
  }
  const path = isFile ? nameOrPath : `${READY}${nameOrPath}.json`;
  // Loaded only where there is such a file: the library that checks it takes some 70 ms of processor time to load.
  const { parseMapping } = await import('../pairing/mapping-file.ts');
  return { name: nameOrPath, mapping: parseMapping(await readTextFile(path), nameOrPath) };
}

/**
 * What a mapping and the frame flags settle for one figure.
 * @param side  which side of the mapping speaks; `either` takes the one whose joints the skeleton has
 * @throws RigproofError as `applyMapping` and `applyConvention`
 */
export function constraintsFrom(
  named: NamedMapping | undefined,
  side: 'source' | 'target' | 'either',
  skeleton: Skeleton,
  flags: FrameFlags,
): BodyConstraints {
  const override = { up: flags.up, facing: flags.facing, metresPerUnit: flags.unit };
  if (!named) return { override };
  const { mapping, name } = named;
  const convention = mapping.convention ? applyConvention(mapping.convention, skeleton, name).roles : {};
  const { source, target } = mapping;
  const only = source && target ? undefined : (source ?? target);
  let figure = only ?? (side === 'either' ? undefined : mapping[side]);
  if (!figure && source && target) {
    // Both sides are there and either may be meant: the one that names joints of this skeleton.
    figure = fits(source, skeleton) ? source : target;
  }
  const applied = applyMapping(figure ?? {}, skeleton, name);
  return { fixed: { ...convention, ...applied.roles }, forbidden: applied.forbid, override };
}

function fits(side: NonNullable<Mapping['source']>, skeleton: Skeleton): boolean {
  try {
    applyMapping(side, skeleton);
    return true;
  } catch (error) {
    if (error instanceof RigproofError) return false;
    throw error;
  }
}

/** The constraints for both figures of a command, and the mapping that goes on into the result. */
export async function pairConstraints(
  flags: PairMappingFlags,
): Promise<{ mapping: Mapping; of: (side: 'source' | 'target', skeleton: Skeleton) => BodyConstraints }> {
  const both = flags.mapping === undefined ? undefined : await readMapping(flags.mapping);
  if (both?.mapping.convention) {
    throw new RigproofError(
      'MAP_WHICH_FIGURE',
      'This mapping holds the role table of a convention and does not say which figure follows it.',
      { file: both.name },
      { hint: 'Give it with --source-mapping or --target-mapping.' },
    );
  }
  const own = {
    source: flags.sourceMapping === undefined ? undefined : await readMapping(flags.sourceMapping),
    target: flags.targetMapping === undefined ? undefined : await readMapping(flags.targetMapping),
  };
  const frame = {
    source: { up: flags.sourceUp, facing: flags.sourceFacing, unit: flags.sourceUnit },
    target: { up: flags.targetUp, facing: flags.targetFacing, unit: flags.targetUnit },
  };
  return {
    mapping: both?.mapping ?? {},
    of(side, skeleton) {
      if (own[side]) return constraintsFrom(own[side], side, skeleton, frame[side]);
      const half = both && { name: both.name, mapping: { [side]: both.mapping[side] ?? {} } };
      return constraintsFrom(half, side, skeleton, frame[side]);
    },
  };
}

function readyNames(): string[] {
  return readdirSync(READY)
    .filter((name) => name.endsWith('.json'))
    .map((name) => name.slice(0, -'.json'.length))
    .sort();
}
