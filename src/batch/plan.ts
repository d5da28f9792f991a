import { basename, extname } from 'node:path';
import { openFile } from '../convert/node.ts';
import { RigproofError } from '../errors.ts';
import { fileKindOf } from '../formats/node.ts';
import type { Mapping } from '../pairing/mapping.ts';
import type { BodyConstraints } from '../pairing/read-body.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';
import { type ListedFile, stemOf } from './clip-list.ts';
import { digestFile, type Fingerprint, fingerprintBvh, fingerprintSkeleton, hashOf } from './fingerprint.ts';
import { type GroupConstraints, readGroup, type SkeletonGroup } from './groups.ts';
import type { CharacterEntry, ClipEntry, Job } from './job.ts';
import { distinctNames, fillNaming } from './names.ts';
import { notACharacter } from './run-task.ts';
import type { BatchSettings } from './settings.ts';

/** An input that takes part in nothing, and why. */
export interface UnusableInput {
  name: string;
  error: RigproofError;
}

/** Everything that a batch is going to do. */
export interface BatchPlan {
  jobs: Job[];
  groups: SkeletonGroup[];
  characters: CharacterEntry[];
  unusable: UnusableInput[];
}

export interface PlanInput {
  clips: readonly ListedFile[];
  /** Paths. */
  characters: readonly string[];
  settings: BatchSettings;
  /** Version of the program: another version may give another result. */
  version: string;
  groupConstraints?: GroupConstraints;
  characterConstraints?: (path: string, skeleton: Skeleton) => BodyConstraints;
  /** What a person has corrected beyond roles for a group on a character. */
  mappingOf?: (group: { id: string; family: string }, characterPath: string) => Mapping;
}

/**
 * Lays out which clip goes onto which character under which name. Reads every clip once, for its content and skeleton; an
 * input that cannot be used is told and left out.
 * @param onCharacters  told who takes the clips, before the clips are read
 */
export async function planBatch(
  input: PlanInput,
  onCharacters: (characters: readonly CharacterEntry[]) => void = () => {},
): Promise<BatchPlan> {
  const unusable: UnusableInput[] = [];
  const characters = await listCharacters(input, unusable);
  onCharacters(characters);
  const { clips, groups } = await readLibrary(input.clips, unusable, input.groupConstraints);
  return { jobs: layOut(input, clips, characters, groups), groups, characters, unusable };
}

/**
 * Reads every file once, for its content and skeleton, and each skeleton group as a body.
 * @param unusable  files that cannot be used are added here
 */
export async function readLibrary(
  files: readonly ListedFile[],
  unusable: UnusableInput[],
  constraintsOf: GroupConstraints = () => ({}),
): Promise<{ clips: ClipEntry[]; groups: SkeletonGroup[] }> {
  const prints = new Map<string, Fingerprint>();
  const clips: ClipEntry[] = [];
  for (const file of files) {
    try {
      for (const { entry, print } of await readEntries(file)) {
        clips.push(entry);
        prints.set(print.id, print);
      }
    } catch (error) {
      if (!(error instanceof RigproofError)) throw error;
      unusable.push({ name: file.name, error });
    }
  }
  const members = new Map<string, ClipEntry[]>();
  for (const clip of clips) {
    const group = members.get(clip.group);
    if (group) group.push(clip);
    else members.set(clip.group, [clip]);
  }
  const groups: SkeletonGroup[] = [];
  for (const [id, of] of members) {
    groups.push(await readGroup(id, prints.get(id)!.family, of, constraintsOf));
  }
  return { clips, groups };
}

async function listCharacters(
  { characters, characterConstraints }: PlanInput,
  unusable: UnusableInput[],
): Promise<CharacterEntry[]> {
  const entries: CharacterEntry[] = [];
  for (const path of characters) {
    try {
      const { hash } = await digestFile(path);
      const opened = await openFile(path);
      if (opened.kind !== 'character') throw notACharacter(path);
      const constraints = characterConstraints?.(path, opened.character.skeleton) ?? {};
      entries.push({ path, label: stemOf(path), hash, constraints });
    } catch (error) {
      if (!(error instanceof RigproofError)) throw error;
      unusable.push({ name: path, error });
    }
  }
  const labels = distinctNames(
    entries.map(({ path, label, hash }) => ({
      name: label,
      kind: extname(path).slice(1).toLowerCase(),
      identity: hash,
    })),
  );
  return entries.map((entry, i) => ({ ...entry, label: labels[i]! }));
}

/** The clips of a file: one of a BVH, one an animation of a glTF file. */
async function readEntries({ path, name }: ListedFile): Promise<{ entry: ClipEntry; print: Fingerprint }[]> {
  const { hash, bytes, bvhHeader } = await digestFile(path);
  const base = { path, name, hash, bytes, animation: 0 };
  if (bvhHeader !== null) {
    const print = fingerprintBvh(bvhHeader);
    return [{ entry: { ...base, kind: 'bvh', group: print.id }, print }];
  }
  if ((await fileKindOf(path)) === 'bvh') {
    // No hierarchy that ends: its reader says what is wrong, in the line of this clip.
    const print = { id: `broken-${hash.slice(0, 8)}`, family: 'broken' };
    return [{ entry: { ...base, kind: 'bvh', group: print.id }, print }];
  }
  const opened = await openFile(path);
  if (opened.kind !== 'character') return [];
  const { animations, skeleton } = opened.character;
  if (animations.length === 0) {
    throw new RigproofError(
      'CLIP_NO_ANIMATION',
      'The file has no animation.',
      { file: path },
      { hint: 'Leave it out of the list, or export its motion.' },
    );
  }
  const print = fingerprintSkeleton(skeleton);
  return animations.map((animation, i) => ({
    entry: {
      ...base,
      kind: 'gltf',
      animation: i,
      group: print.id,
      name: animations.length > 1 ? `${name}#${animation.name}` : name,
    },
    print,
  }));
}

function layOut(
  { settings, version, mappingOf }: PlanInput,
  clips: readonly ClipEntry[],
  characters: readonly CharacterEntry[],
  groups: readonly SkeletonGroup[],
): Job[] {
  const groupOf = new Map(groups.map((group) => [group.id, group]));
  const pairs = clips.flatMap((clip) => characters.map((character) => ({ clip, character, parts: partsOf(clip) })));
  const outputs = distinctNames(
    pairs.map(({ clip, character, parts }) => ({
      name: fillNaming(settings.naming, { ...parts, character: character.label }),
      kind: clip.kind === 'bvh' ? 'bvh' : extname(clip.path).slice(1).toLowerCase(),
      identity: hashOf([clip.name, clip.hash, clip.animation, character.label]),
    })),
  );
  return pairs.map(({ clip, character, parts }, i) => {
    // Several clips in one file: their folders tell them apart.
    const animation = settings.pack && parts.folder !== '' ? `${parts.folder}/${parts.clip}` : parts.clip;
    const group = groupOf.get(clip.group)!;
    const mapping = mappingOf?.(group, character.path) ?? {};
    const key = hashOf({
      version,
      clip: [clip.hash, clip.animation],
      character: [character.hash, character.constraints],
      group: group.digest,
      mapping,
      settings,
      animation,
      output: outputs[i],
    });
    return { key, clip, character, mapping, animation, output: outputs[i]! };
  });
}

function partsOf({ name }: ClipEntry): { folder: string; clip: string } {
  const [file, animation] = name.split('#', 2) as [string, string | undefined];
  const slash = file.lastIndexOf('/');
  const stem = stemOf(basename(file));
  return { folder: file.slice(0, Math.max(0, slash)), clip: animation === undefined ? stem : `${stem}-${animation}` };
}

/**
 * The jobs of one of several machines, 1 to `count`: by the content of clip and character, so that what others have in
 * their list changes nothing.
 */
export function shardOf(jobs: readonly Job[], index: number, count: number): Job[] {
  return jobs.filter(({ clip, character }) => {
    const number = Number.parseInt(hashOf([clip.hash, clip.animation, character.hash]).slice(0, 8), 16);
    return number % count === index - 1;
  });
}
