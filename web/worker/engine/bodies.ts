/** Who plays and who is to play: the two files of a job as bodies, under what a person has said of them. */
import {
  applyMapping,
  auditCharacter,
  type BodyConstraints,
  createReceiver,
  exerciseClip,
  type MappingSide,
  type Performer,
  performerFromBvh,
  performerFromCharacter,
  type Receiver,
  readAnimation,
  SAMPLE_FPS,
  type Skeleton,
} from '../../../src/index.ts';
import type { Axis, Corrections } from '../../model/session.ts';
import { type BareCharacter, type BareMotion, bareCharacter, bareMotion } from '../bare-figures.ts';
import type { AuditResult, Job } from '../protocol.ts';
import { openedCharacter, openedClip } from './open.ts';
import { type EngineState, type Kept, keptOr } from './state.ts';

export function performerOf(state: EngineState, job: Job): Kept<Performer> {
  const { clip, mapping, spaces } = job;
  const key = JSON.stringify([clip.id, clip.animation, mapping.source ?? null, spaces.source]);
  state.performer = keptOr(state.performer, key, () => readPerformer(state, job));
  return state.performer;
}

function readPerformer(state: EngineState, job: Job): Performer {
  const { clip, spaces } = job;
  const { fps, keepRestFrames } = spaces.source;
  if (clip.animation === null) {
    const { takes, notes } = openedClip(state, clip);
    const read = takes[0]!;
    const take = fps ? { ...read, clip: { ...read.clip, frameDuration: 1 / fps } } : read;
    return performerFromBvh(clip.name, take, notes, { ...sourceConstraints(job, take.skeleton), keepRestFrames });
  }
  const { character } = openedCharacter(state, clip);
  const constraints = sourceConstraints(job, character.skeleton);
  return performerFromCharacter(character, clip.animation, fps ?? SAMPLE_FPS, { ...constraints, keepRestFrames });
}

export function receiverOf(state: EngineState, job: Job): Kept<Receiver> {
  const { character, mapping, spaces, options } = job;
  const opened = openedCharacter(state, character);
  const withRoot = options.rootMotion === 'extract' ? opened.withRoot : undefined;
  const key = JSON.stringify([character.id, mapping.target ?? null, spaces.target, withRoot !== undefined]);
  const read = withRoot ?? opened.character;
  state.receiver = keptOr(state.receiver, key, () => createReceiver(read, targetConstraints(job, read.skeleton)));
  return state.receiver;
}

/** The performer as far as it can be read where it is no human body yet. */
export function bareMotionOf(state: EngineState, job: Job): BareMotion {
  const { clip, mapping, spaces } = job;
  const key = JSON.stringify(['bare', clip.id, clip.animation, mapping.source ?? null, spaces.source]);
  if (clip.animation === null) {
    const { skeleton, clip: motion } = openedClip(state, clip).takes[0]!;
    return bareMotion(key, clip.name, skeleton, motion, false, sourceConstraints(job, skeleton));
  }
  const { character } = openedCharacter(state, clip);
  const { skeleton } = character;
  const motion = readAnimation(character, clip.animation, spaces.source.fps ?? SAMPLE_FPS).clip;
  return bareMotion(key, clip.name, skeleton, motion, true, sourceConstraints(job, skeleton));
}

/** The character as far as it can be read where it is no human body yet. */
export function bareCharacterOf(state: EngineState, job: Job): BareCharacter {
  const { character: entry, mapping, spaces } = job;
  const key = JSON.stringify(['bare', entry.id, mapping.target ?? null, spaces.target]);
  const { character } = openedCharacter(state, entry);
  return bareCharacter(key, character, targetConstraints(job, character.skeleton));
}

/** Looks the character over before any motion, and makes the exercise clip for it. */
export function auditOf(state: EngineState, job: Job): AuditResult {
  const { character } = openedCharacter(state, job.character);
  const { audit, input } = auditCharacter(character, targetConstraints(job, character.skeleton));
  const exercise = input.posture ? exerciseClip(input.skeleton, input.body.roles, input.posture) : null;
  return { audit, exercise };
}

function sourceConstraints({ clip, mapping, spaces }: Job, skeleton: Skeleton): BodyConstraints {
  return constraintsOf(mapping.source, skeleton, spaces.source, clip.name);
}

function targetConstraints({ character, mapping, spaces }: Job, skeleton: Skeleton): BodyConstraints {
  return constraintsOf(mapping.target, skeleton, spaces.target, character.name);
}

function constraintsOf(
  side: MappingSide | undefined,
  skeleton: Skeleton,
  { up, facing, unit }: Corrections,
  name: string,
): BodyConstraints {
  const { roles, forbid } = applyMapping(side ?? {}, skeleton, name);
  const override = { up: up && axisVector(up), facing: facing && axisVector(facing), metresPerUnit: unit };
  return { fixed: roles, forbidden: forbid, override };
}

function axisVector(axis: Axis): [number, number, number] {
  const vector: [number, number, number] = [0, 0, 0];
  vector['XYZ'.indexOf(axis[1]!)] = axis[0] === '-' ? -1 : 1;
  return vector;
}
