/**
 * From a motion to its file, and from the file to what a proof judges. The command, the batch and the app all go this way,
 * so that none of them writes or judges otherwise than the others.
 */
import type { Note } from '../errors.ts';
import { type GltfContainer, parseContainer } from '../formats/gltf/container.ts';
import type { DracoDecoder } from '../formats/gltf/draco.ts';
import type { ProofFigure, ProofOptions } from '../proof/measure.ts';
import { findAnimation } from './animations.ts';
import { type Conversion, judgedFigure, sourceFigure } from './convert.ts';
import { type DeliverOptions, type Delivery, deliver } from './deliver.ts';
import type { Performer } from './performer.ts';
import type { Receiver } from './receiver.ts';
import { rereadCharacter, rereadFigure } from './reread.ts';

/** Whose motion is written, what it was put onto, and what came of it. */
export interface Motion {
  /** As it was read; `conversion.performer` is the one whose motion was used. */
  performer: Performer;
  receiver: Receiver;
  conversion: Conversion;
}

/** A motion that is ready to be written. */
export interface Output {
  motion: Motion;
  file: Delivery;
  /**
   * What holds no mesh is proved on the character: the same keys, written as a character. Null where the file is one, and
   * is read back itself.
   */
  played: (() => Pick<Delivery, 'bytes' | 'animation'>) | null;
  /** All that is to be told of it, from reading to writing. */
  notes: Note[];
}

/** What `prove` takes. */
export interface Judged {
  target: ProofFigure;
  source: ProofFigure;
  options: Pick<ProofOptions, 'unreached'>;
}

/**
 * A motion in the form that is asked for.
 * @throws RigproofError as `deliver`
 */
export function outputOf(motion: Motion, options: Partial<DeliverOptions> & { name: string }): Output {
  const { receiver, conversion } = motion;
  const file = deliver(receiver, conversion.clip, options);
  const isCharacter = ['glb', 'gltf'].includes(options.form ?? 'glb');
  const played = () => deliver(receiver, conversion.clip, { ...options, form: 'glb' });
  return { motion, file, played: isCharacter ? null : played, notes: notesOf(motion, file.notes) };
}

/** The notes of a motion, with those of its file. */
export function notesOf({ performer, receiver, conversion }: Motion, ofFile: readonly Note[]): Note[] {
  return [...performer.notes, ...receiver.notes, ...conversion.notes, ...ofFile];
}

/**
 * Reads an output back, as the proof judges it.
 * @param open   opens the file that was written; not called where the proof does not read that one
 * @param draco  gives the decoder for compressed meshes; called only when one is met
 * @throws RigproofError as `open`, `rereadCharacter` and `rereadFigure`
 */
export async function readBack(
  { motion, file, played }: Output,
  open: () => GltfContainer,
  draco?: () => Promise<DracoDecoder>,
): Promise<Judged> {
  const { receiver, conversion } = motion;
  const standIn = played?.();
  const container = standIn ? parseContainer(standIn.bytes, receiver.character.name) : open();
  const { character, tracks } = await rereadCharacter(receiver, container, draco);
  const animation = findAnimation(character, (standIn ?? file).animation, 'last');
  const figure = rereadFigure(receiver, character, animation, tracks?.get(animation));
  return {
    target: judgedFigure(figure, conversion),
    source: sourceFigure(conversion.performer),
    options: { unreached: conversion.unreached },
  };
}
