import { mkdir } from 'node:fs/promises';
import { join, resolve } from 'node:path';
import { RigproofError } from '../../errors.ts';
import { writeWholeFile } from '../../formats/node.ts';
import { listClips } from '../clip-list.ts';
import type { GroupConstraints, SkeletonGroup } from '../groups.ts';
import { handOut } from '../hand-out.ts';
import type { ClipEntry } from '../job.ts';
import { readLibrary, type UnusableInput } from '../plan.ts';
import { openPool } from '../pool.ts';
import { type Duplicate, findDuplicates, type Sketched } from './duplicates.ts';
import { triageCsv, triageJson } from './summary.ts';
import { triagePage } from './summary-html.ts';
import type { TriageEntry, TriageResult, TriageTask } from './triage-clip.ts';

export interface TriageInput {
  /** Files, folders, patterns, list files. */
  clips: readonly string[];
  /** Where the summary goes; null: nowhere. */
  outputFolder: string | null;
  workers: number;
  sampleFps: number;
  groupConstraints?: GroupConstraints;
}

export interface TriageEvents {
  onEntry?(entry: TriageEntry, done: number, total: number): void;
  signal?: AbortSignal;
}

export interface LibraryTriage {
  /** In the order of the list; those that an interruption left out are not in it. */
  entries: TriageEntry[];
  groups: SkeletonGroup[];
  unusable: UnusableInput[];
  duplicates: Duplicate[];
  interrupted: boolean;
  files: { json: string; csv: string; html: string } | null;
}

/** A picture of a clip. */
export interface TriagePicture {
  clip: string;
  svg: string;
}

/** Pictures on the page. */
const MOST_PICTURES = 24;

/**
 * Looks a library over, before any character is chosen: what its clips are, and what is wrong with them.
 * @throws RigproofError BATCH_NO_CLIP, FILE_WRITE
 */
export async function triageLibrary(input: TriageInput, events: TriageEvents = {}): Promise<LibraryTriage> {
  const files = await listClips(input.clips, input.outputFolder ?? undefined);
  const unusable: UnusableInput[] = [];
  const { clips, groups } = await readLibrary(files, unusable, input.groupConstraints);
  const bodies = new Map(groups.map(({ id, body }) => [id, body]));
  const found = new Map<string, TriageEntry>();
  const sketches: Sketched[] = [];
  let pictures: (TriagePicture & { worst: number })[] = [];
  const take = (clip: ClipEntry, { entry, sketch, picture }: TriageResult): void => {
    const { name } = clip;
    found.set(idOf(clip), entry);
    if (entry.status !== 'read') return;
    sketches.push({ name, seconds: entry.seconds, hash: entry.hash, sketch });
    if (picture === null) return;
    pictures.push({ clip: name, svg: picture, worst: entry.worst });
    pictures = pictures.sort((a, b) => b.worst - a.worst || (a.clip < b.clip ? -1 : 1)).slice(0, MOST_PICTURES);
  };
  const pool = openPool<TriageTask, TriageResult>({
    workers: Math.max(1, Math.min(input.workers, clips.length)),
    name: 'triageClip',
  });
  try {
    const tasks = clips.toSorted((a, b) => b.bytes - a.bytes);
    await handOut(
      tasks,
      ({ bytes }) => bytes,
      input.workers,
      events.signal,
      async (clip) => {
        const result = await pool
          .run({ clip, body: bodies.get(clip.group) ?? null, sampleFps: input.sampleFps })
          .catch((error: unknown) => unread(clip, error));
        take(clip, result);
        events.onEntry?.(result.entry, found.size, clips.length);
      },
    );
  } finally {
    await pool.close();
  }
  const entries = clips.flatMap((clip) => found.get(idOf(clip)) ?? []);
  const result: LibraryTriage = {
    entries,
    groups,
    unusable,
    duplicates: findDuplicates(sketches),
    interrupted: entries.length < clips.length,
    files: null,
  };
  if (input.outputFolder !== null) result.files = await writeTriage(result, pictures, resolve(input.outputFolder));
  return result;
}

/** Two clips of different folders may have one name. */
function idOf({ path, animation }: ClipEntry): string {
  return `${path}#${animation}`;
}

function unread({ name, hash, group }: { name: string; hash: string; group: string }, error: unknown): TriageResult {
  const { code, message, hint } =
    error instanceof RigproofError ? error : { code: 'TRIAGE_FAULT', message: String(error), hint: undefined };
  return {
    entry: { clip: name, hash, group, status: 'unreadable', error: { code, message, place: {}, hint: hint ?? null } },
    sketch: null,
    picture: null,
  };
}

async function writeTriage(
  triage: LibraryTriage,
  pictures: readonly TriagePicture[],
  folder: string,
): Promise<NonNullable<LibraryTriage['files']>> {
  await mkdir(folder, { recursive: true });
  const files = {
    json: join(folder, 'triage.json'),
    csv: join(folder, 'triage.csv'),
    html: join(folder, 'triage.html'),
  };
  await writeWholeFile(files.json, triageJson(triage));
  await writeWholeFile(files.csv, triageCsv(triage));
  await writeWholeFile(files.html, triagePage(triage, pictures));
  return files;
}
