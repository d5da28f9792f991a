import { mkdir } from 'node:fs/promises';
import { basename, dirname, join } from 'node:path';
import { findAnimation } from '../convert/animations.ts';
import { type Conversion, convert, judgedFigure, sourceFigure } from '../convert/convert.ts';
import { type DeliverOptions, deliver, deliverEncoded, encodeDelivery } from '../convert/deliver.ts';
import { openFile } from '../convert/node.ts';
import { type Performer, performerFromBvh, performerFromCharacter } from '../convert/performer.ts';
import { createReceiver, type Receiver } from '../convert/receiver.ts';
import { rereadCharacter, rereadFigure } from '../convert/reread.ts';
import { needsNodeAbove } from '../convert/root-motion.ts';
import { type Note, type Place, RigproofError } from '../errors.ts';
import { inferFrameRate } from '../formats/bvh/index.ts';
import { parseContainer } from '../formats/gltf/container.ts';
import { readContainerFile } from '../formats/gltf/node.ts';
import { writeWholeFile } from '../formats/node.ts';
import { totalLength } from '../formats/pieces.ts';
import type { Mapping } from '../pairing/mapping.ts';
import type { Proof } from '../proof/measure.ts';
import { createProofMemory } from '../proof/memory.ts';
import type { Clip } from '../skeleton/clip.ts';
import type { CharacterEntry, DoneRecord, FailedRecord, Job, JobRecord, MeasureRow, Task, WorstPlace } from './job.ts';
import { packFile, pieceBytes, pieceFile } from './pack.ts';
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
  const anyBody = movesAnyBody(mapping);
  const receiver = await openReceiver(character, anyBody, false);
  return needsNodeAbove(receiver.actor, rootMotion) ? openReceiver(character, anyBody, true) : receiver;
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
  const { clip } = conversion;
  const delivering = { ...settings, name: job.animation };
  const { file, pieces, delivery, judged } = settings.pack
    ? packed(job, receiver, clip, delivering)
    : single(job, receiver, clip, delivering, settings.proof);
  const path = join(outputFolder, file);
  await mkdir(dirname(path), { recursive: true });
  await writeWholeFile(path, pieces);
  releaseMemory();

  const proved = settings.proof
    ? await proveJob(job, { settings, outputFolder }, receiver, {
        conversion,
        file,
        judged,
        animation: delivery.animation,
      })
    : NOT_PROVED;
  return {
    ...namesOf(job),
    status: 'done',
    animation: delivery.animation,
    frames: clip.frameCount,
    fps: inferFrameRate(clip.frameDuration).fps,
    outputs: [{ file, bytes: totalLength(pieces) }],
    pack: settings.pack ? packFile(job.character.label) : null,
    ...proved,
    warnings: [...performer.notes, ...receiver.notes, ...conversion.notes, ...delivery.notes],
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

interface ToProve {
  conversion: Conversion;
  file: string;
  judged: Uint8Array | null;
  animation: string;
}

/** Reads back what was written and measures it. What holds no mesh is proved on the character, with the same keys. */
async function proveJob(
  job: Job,
  { settings, outputFolder }: Pick<Task, 'settings' | 'outputFolder'>,
  receiver: Receiver,
  { conversion, file, judged, animation }: ToProve,
): Promise<Proved> {
  const container =
    judged === null
      ? readContainerFile(join(outputFolder, file))
      : parseContainer(judged, basename(job.character.path));
  const { character: written, tracks } = await rereadCharacter(receiver, container);
  const index = findAnimation(written, animation, 'last');
  const read = rereadFigure(receiver, written, index, tracks?.get(index));
  const target = judgedFigure(read, conversion);
  const labels = { target: file, source: job.clip.name };
  const { proof, picture, html } = proofWithPicture(
    target,
    sourceFigure(conversion.performer),
    labels,
    settings.sheets,
    { unreached: conversion.unreached },
    memory,
  );
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

/** What a job writes, and what its proof reads: null where that is the written file itself. */
interface Written {
  file: string;
  pieces: readonly Uint8Array[];
  delivery: { animation: string; notes: readonly Note[] };
  judged: Uint8Array | null;
}

type Delivering = Partial<DeliverOptions> & { name: string };

function single(job: Job, receiver: Receiver, clip: Clip, delivering: Delivering, isProved: boolean): Written {
  const delivery = deliver(receiver, clip, delivering);
  const form = delivering.form ?? 'glb';
  const file = `${job.output}${extensionOf(form)}`;
  const needsMesh = form !== 'glb' && isProved;
  const judged = needsMesh ? deliver(receiver, clip, { ...delivering, form: 'glb' }) : null;
  return { file, pieces: delivery.pieces, delivery: judged ?? delivery, judged: judged?.bytes ?? null };
}

/** The keys alone: they go into one file with those of the other clips when all of them are there. */
function packed(job: Job, receiver: Receiver, clip: Clip, delivering: Delivering): Written {
  const keys = encodeDelivery(receiver, clip, delivering);
  const { bytes, names, notes } = deliverEncoded(receiver, [keys]);
  return {
    file: pieceFile(job.output),
    pieces: [pieceBytes(keys)],
    delivery: { animation: names[0]!, notes },
    judged: bytes,
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
