import { mkdir } from 'node:fs/promises';
import { basename, dirname, join } from 'node:path';
import { convert } from '../convert/convert.ts';
import { filesOf, openFile, readOutput, writeOutput } from '../convert/node.ts';
import { type Output, outputOf } from '../convert/output.ts';
import { type Performer, performerFromBvh, performerFromCharacter } from '../convert/performer.ts';
import { createReceiver, type Receiver, receiverFor } from '../convert/receiver.ts';
import { type Place, RigproofError } from '../errors.ts';
import { inferFrameRate } from '../formats/bvh/index.ts';
import { writeWholeFile } from '../formats/node.ts';
import { totalLength } from '../formats/pieces.ts';
import type { Mapping } from '../pairing/mapping.ts';
import type { Proof } from '../proof/measure.ts';
import { createProofMemory } from '../proof/memory.ts';
import type { CharacterEntry, DoneRecord, FailedRecord, Job, JobRecord, MeasureRow, Task, WorstPlace } from './job.ts';
import { packFile, pieceFile, pieceOf } from './pack.ts';
import { proofWithPicture } from './picture.ts';
import { findDone, writeRecord } from './records.ts';
import { releaseMemory } from './release-memory.ts';
import { type BatchSettings, extensionOf } from './settings.ts';

/** Where proof sheets stand in the output folder. */
export const SHEET_FOLDER = 'sheets';

/** Characters that a worker keeps open. More would need more memory the longer the list of characters is. */
const MOST_OPEN = 4;

/** Faults of the machine or of the moment: the same job may do well next time, so they are not kept. */
const PASSING_FAULTS = new Set([
  'FILE_OPEN',
  'FILE_WRITE',
  'GLTF_OPEN',
  'BVH_FILE',
  'BATCH_FAULT',
  'BATCH_WORKER_LOST',
]);

/**
 * Does the jobs of one clip. What was done before, by whoever, is not done again. Every job ends in a record: a fault of
 * one leaves the others alone.
 */
export async function runTask(task: Task): Promise<JobRecord[]> {
  const records: JobRecord[] = [];
  let performer: Performer | null = null;
  for (const job of task.jobs) {
    let record = await findDone(task.outputFolder, job.output, job.key);
    if (record === null) {
      try {
        performer ??= await openPerformer(task);
        record = await runJob(job, task, performer, await receiverOf(job, task.settings));
      } catch (error) {
        record = failedRecord(job, error);
      }
      if (isKept(record)) {
        record = withLibraryNames(record, job);
        try {
          await writeRecord(task.outputFolder, job.output, record);
        } catch (error) {
          record = failedRecord(job, error);
        }
      }
    }
    // The picture is for the page, which reads it from the record on disk: it need not travel.
    records.push(record.status === 'done' ? { ...record, picture: null } : record);
  }
  return records;
}

/** Whether a record says something about the inputs, and not about the moment. */
export function isKept(record: JobRecord): boolean {
  return record.status === 'done' || !PASSING_FAULTS.has(record.error.code);
}

/** Names a clip as the library does, so that a record is the same wherever the library lies. */
function withLibraryNames(record: JobRecord, { clip, character }: Job): JobRecord {
  const named = (place: Place): Place => {
    if (place.file === clip.path) return { ...place, file: clip.name.split('#', 1)[0] };
    return place.file === character.path ? { ...place, file: basename(character.path) } : place;
  };
  if (record.status === 'unreadable')
    return { ...record, error: { ...record.error, place: named(record.error.place) } };
  return {
    ...record,
    warnings: record.warnings.map((note) => (note.place ? { ...note, place: named(note.place) } : note)),
  };
}

/** The record of a job that ended in an error. */
export function failedRecord(job: Job, error: unknown): FailedRecord {
  const known =
    error instanceof RigproofError
      ? error
      : new RigproofError(
          'BATCH_FAULT',
          `A fault in rigproof: ${error instanceof Error ? error.message : String(error)}`,
          {},
          { hint: 'Run this clip alone with --debug and report what it shows.' },
        );
  return {
    ...namesOf(job),
    status: 'unreadable',
    error: { code: known.code, message: known.message, place: known.place, hint: known.hint ?? null },
  };
}

function namesOf(job: Job) {
  const { key, clip, character } = job;
  return {
    format: 'rigproof-job',
    version: 1,
    key,
    clip: clip.name,
    character: character.label,
    group: clip.group,
  } as const;
}

const open = new Map<string, Receiver>();

/** Of the performer at hand and of the characters that are open: what it knows goes when they go. */
const memory = createProofMemory();

async function receiverOf({ character, mapping }: Job, { rootMotion }: BatchSettings): Promise<Receiver> {
  return receiverFor(rootMotion, (nodeAbove) => openReceiver(character, movesAnyBody(mapping), nodeAbove));
}

/** Reads characters before a task asks for them. Throws what reading one throws. */
export async function openReceivers(characters: readonly CharacterEntry[]): Promise<void> {
  for (const character of characters) await openReceiver(character, false, false);
}

/** Chains paired by hand move a body of any kind. */
function movesAnyBody({ chains }: Mapping): boolean {
  return (chains ?? []).length > 0;
}

async function openReceiver(character: CharacterEntry, anyBody: boolean, nodeAbove: boolean): Promise<Receiver> {
  const id = `${character.hash} ${anyBody} ${nodeAbove} ${JSON.stringify(character.constraints)}`;
  let receiver = open.get(id);
  if (receiver) {
    open.delete(id);
  } else {
    const opened = await openFile(character.path, { nodeAbove });
    if (opened.kind !== 'character') throw notACharacter(character.path);
    receiver = createReceiver(opened.character, { ...character.constraints, anyBody });
  }
  // The map keeps the order of insertion: the first one is the one that was used least lately.
  open.set(id, receiver);
  if (open.size > MOST_OPEN) open.delete(open.keys().next().value!);
  return receiver;
}

export function notACharacter(path: string): RigproofError {
  return new RigproofError(
    'FILE_NOT_CHARACTER',
    'This is a BVH clip; expected a character.',
    { file: path },
    { hint: 'Give a .glb, .gltf or .vrm with --character.' },
  );
}

async function openPerformer({ jobs, body, settings }: Task): Promise<Performer> {
  const { path, animation } = jobs[0]!.clip;
  const { keepRestFrames, sampleFps } = settings;
  const options = {
    keepRestFrames,
    body: body ?? undefined,
    anyBody: jobs.some(({ mapping }) => movesAnyBody(mapping)),
  };
  const opened = await openFile(path);
  if (opened.kind === 'clip') return performerFromBvh(path, opened.file.takes[0]!, opened.file.notes, options);
  return performerFromCharacter(opened.character, animation, sampleFps, options);
}

async function runJob(
  job: Job,
  { settings, outputFolder }: Task,
  performer: Performer,
  receiver: Receiver,
): Promise<DoneRecord> {
  const conversion = convert(performer, receiver, {
    ...settings.motion,
    contact: settings.contact,
    mapping: job.mapping,
    rootMotion: { mode: settings.rootMotion },
  });
  const motion = { performer, receiver, conversion };
  const delivering = { ...settings, name: job.animation };
  // The keys alone go into one file with those of the other clips when all of them are there.
  const [file, output] = settings.pack
    ? [pieceFile(job.output), pieceOf(motion, delivering)]
    : [`${job.output}${extensionOf(settings.form)}`, outputOf(motion, delivering)];
  const path = join(outputFolder, file);
  await mkdir(dirname(path), { recursive: true });
  await writeOutput(await filesOf(path, output, job.character.path));
  releaseMemory();

  const proved = settings.proof ? await proveJob(job, { settings, outputFolder }, file, output) : NOT_PROVED;
  return {
    ...namesOf(job),
    status: 'done',
    animation: output.file.animation,
    frames: conversion.clip.frameCount,
    fps: inferFrameRate(conversion.clip.frameDuration).fps,
    outputs: [{ file, bytes: totalLength(output.file.pieces) }],
    pack: settings.pack ? packFile(job.character.label) : null,
    ...proved,
    warnings: output.notes,
  };
}

/** The part of a record that the proof fills. */
type Proved = Pick<DoneRecord, 'sheet' | 'verdict' | 'counts' | 'measures' | 'worst' | 'picture'>;

const NOT_PROVED: Proved = {
  sheet: null,
  verdict: 'not measured',
  counts: { pass: 0, fail: 0, notMeasured: 0 },
  measures: [],
  worst: null,
  picture: null,
};

/** Reads back what was written and measures it. */
async function proveJob(
  job: Job,
  { settings, outputFolder }: Pick<Task, 'settings' | 'outputFolder'>,
  file: string,
  output: Output,
): Promise<Proved> {
  const { target, source, options } = await readOutput(join(outputFolder, file), output);
  const labels = { target: file, source: job.clip.name };
  const { proof, picture, html } = proofWithPicture(target, source, labels, settings.sheets, options, memory);
  const sheet = html === null ? null : `${SHEET_FOLDER}/${job.output}.html`;
  if (sheet !== null) {
    await mkdir(dirname(join(outputFolder, sheet)), { recursive: true });
    await writeWholeFile(join(outputFolder, sheet), html!);
  }
  return {
    sheet,
    verdict: proof.verdict,
    counts: proof.counts,
    measures: proof.measures.map(
      ({ id, unit, value, threshold, verdict }): MeasureRow => ({ id, unit, value, threshold, verdict }),
    ),
    worst: worstOf(proof),
    picture,
  };
}

/** The measure that is furthest beyond what passes, or comes nearest to it. */
export function worstOf({ measures }: Proof): WorstPlace | null {
  let worst: WorstPlace | null = null;
  for (const { id, value, threshold, where } of measures) {
    if (value === null) continue;
    const ratio = threshold > 0 ? value / threshold : value > 0 ? 1 + value : 0;
    if (worst !== null && ratio <= worst.ratio) continue;
    const place = where[0];
    worst = { id, ratio, role: place?.role ?? null, joint: place?.joint ?? null, frame: place?.worstFrame ?? null };
  }
  return worst;
}
