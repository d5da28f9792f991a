import { readFileSync } from 'node:fs';
import { basename } from 'node:path';
import { InvalidArgumentError, Option } from 'commander';
import { stemOf } from '../batch/clip-list.ts';
import type { GroupConstraints } from '../batch/groups.ts';
import type { PlanInput } from '../batch/plan.ts';
import { BATCH_DEFAULTS, type BatchSettings, SHEET_CHOICES, type SheetChoice } from '../batch/settings.ts';
import { DELIVERY_FORMS, type DeliveryForm } from '../convert/deliver.ts';
import { ROOT_MOTIONS, type RootMotion } from '../convert/root-motion.ts';
import { RigproofError } from '../errors.ts';
import { parsePositive } from './body-options.ts';
import {
  constraintsFrom,
  type NamedMapping,
  type PairMappingFlags,
  pairConstraints,
  readMapping,
} from './constraints.ts';
import { type MotionFlags, motionOptions, motionSettings } from './motion-options.ts';

/** Flags that say what a clip is made into. */
export interface DeliveryFlags extends MotionFlags {
  form: DeliveryForm;
  pack?: boolean;
  rootMotion: RootMotion;
  contact: boolean;
  keepRestFrames?: boolean;
  keepAllKeys?: boolean;
  rotationTolerance: number;
  translationTolerance: number;
  int16?: boolean;
  sampleFps: number;
  proof: boolean;
  sheets: SheetChoice;
  naming: string;
  mappingFor?: string[];
}

export function deliveryOptions(): Option[] {
  return [
    new Option('--form <form>', 'what is written for a clip, one file each')
      .choices(DELIVERY_FORMS)
      .default(BATCH_DEFAULTS.form),
    new Option('--pack', 'one .glb a character, with all clips as its animations'),
    new Option('--root-motion <way>', 'what becomes of the way over the floor').choices(ROOT_MOTIONS).default('keep'),
    new Option('--naming <template>', 'where in the output folder, from {character}, {folder} and {clip}').default(
      BATCH_DEFAULTS.naming,
    ),
    new Option('--sheets <which>', 'proof sheets that are written')
      .choices(SHEET_CHOICES)
      .default(BATCH_DEFAULTS.sheets),
    new Option('--sample-fps <rate>', 'frames a second at which clips from glTF files are sampled')
      .default(BATCH_DEFAULTS.sampleFps)
      .argParser(parsePositive),
    new Option('--no-proof', 'convert only: do not read back and measure'),
    new Option('--keep-rest-frames', 'keep opening frames that are a rest pose or a blend from it'),
    new Option('--no-contact', 'do not hold feet that stand'),
    ...motionOptions(),
    new Option('--keep-all-keys', 'write a key at every frame'),
    new Option('--rotation-tolerance <degrees>', 'how far fewer keys may turn a joint')
      .default(BATCH_DEFAULTS.rotationToleranceDegrees)
      .argParser(parsePositive),
    new Option('--translation-tolerance <mm>', 'how far fewer keys may move a joint')
      .default(BATCH_DEFAULTS.translationToleranceMillimetres)
      .argParser(parsePositive),
    new Option('--int16', 'store rotations as normalised 16-bit integers (core glTF): half the bytes, 0.0035 degree'),
    new Option(
      '--mapping-for <who=file>',
      'mapping of one skeleton group, family or character, as --list and the summary call it; may be repeated',
    ).argParser(collect),
  ];
}

function collect(text: string, list: string[] = []): string[] {
  if (!/^[^=]+=.+$/.test(text))
    throw new InvalidArgumentError('Expected GROUP=FILE, for instance 3fa2c1d0=dancers.map.json.');
  return [...list, text];
}

/** A whole number from 1. */
export function parseCount(text: string): number {
  const count = Number(text);
  if (!Number.isInteger(count) || count < 1) throw new InvalidArgumentError('Expected a whole number from 1.');
  return count;
}

/** `2/8` → the second of eight shares. */
export function parseShard(text: string): { index: number; count: number } {
  const match = /^(\d+)\/(\d+)$/.exec(text);
  const [index, count] = [Number(match?.[1]), Number(match?.[2])];
  if (!match || index < 1 || index > count)
    throw new InvalidArgumentError('Expected i/n with i from 1 to n, for instance 2/8.');
  return { index, count };
}

/** What the flags settle: the settings, and who is paired how. Reads the mapping files. */
export async function batchPairing(
  flags: DeliveryFlags & PairMappingFlags,
): Promise<
  { settings: BatchSettings } & Required<Pick<PlanInput, 'groupConstraints' | 'characterConstraints' | 'mappingOf'>>
> {
  if (flags.pack && flags.form !== 'glb') {
    throw new RigproofError(
      'OUTPUT_FORM',
      `Got --pack with --form ${flags.form}; only .glb holds several animations.`,
      {},
      {
        hint: 'Leave out --pack or --form.',
      },
    );
  }
  const constraints = await pairConstraints(flags);
  const named = new Map<string, NamedMapping>();
  for (const text of flags.mappingFor ?? []) {
    const at = text.indexOf('=');
    named.set(text.slice(0, at), await readMapping(text.slice(at + 1)));
  }
  const groupConstraints: GroupConstraints = ({ id, family }, skeleton) => {
    const own = named.get(id) ?? named.get(family);
    const frame = { up: flags.sourceUp, facing: flags.sourceFacing, unit: flags.sourceUnit };
    return own ? constraintsFrom(own, 'source', skeleton, frame) : constraints.of('source', skeleton);
  };
  return {
    groupConstraints,
    characterConstraints: (path, skeleton) => {
      const own = named.get(basename(path)) ?? named.get(stemOf(path));
      const frame = { up: flags.targetUp, facing: flags.targetFacing, unit: flags.targetUnit };
      return own ? constraintsFrom(own, 'target', skeleton, frame) : constraints.of('target', skeleton);
    },
    // Parts of a mapping that concern one figure replace those of the mapping for all.
    mappingOf: ({ id, family }, path) => ({
      ...constraints.mapping,
      ...(named.get(id) ?? named.get(family))?.mapping,
      ...(named.get(basename(path)) ?? named.get(stemOf(path)))?.mapping,
    }),
    settings: {
      ...BATCH_DEFAULTS,
      form: flags.form,
      pack: flags.pack ?? false,
      rootMotion: flags.rootMotion,
      contact: flags.contact,
      keepRestFrames: flags.keepRestFrames ?? false,
      keepAllKeys: flags.keepAllKeys ?? false,
      rotationToleranceDegrees: flags.rotationTolerance,
      translationToleranceMillimetres: flags.translationTolerance,
      quantise: flags.int16 ? 'int16' : 'float32',
      sampleFps: flags.sampleFps,
      motion: { ...BATCH_DEFAULTS.motion, ...motionSettings(flags) },
      proof: flags.proof,
      sheets: flags.sheets,
      naming: flags.naming,
    },
  };
}

/** Version of the program, from its package. */
export function programVersion(): string {
  return JSON.parse(readFileSync(new URL('../../package.json', import.meta.url), 'utf8')).version;
}
