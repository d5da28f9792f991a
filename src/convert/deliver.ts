import type { Note } from '../errors.ts';
import { writeBvh } from '../formats/bvh/writer.ts';
import { writeAnimationOnly } from '../formats/gltf/animation-only.ts';
import type { WrittenGltf } from '../formats/gltf/append-animation.ts';
import type { EncodedAnimation, EncodeOptions } from '../formats/gltf/encode-animation.ts';
import { writeVrmAnimation } from '../formats/gltf/vrm-animation.ts';
import {
  encodeClip,
  type WriteOptions,
  writeAnimatedGlb,
  writeAnimatedGltf,
  writeEncodedGlb,
} from '../formats/gltf/write-animation.ts';
import { type FileBytes, inPieces } from '../formats/pieces.ts';
import { PARENT_ROLE } from '../pairing/roles.ts';
import { type Clip, clipWith } from '../skeleton/clip.ts';
import { type Receiver, toFileSpace } from './receiver.ts';

/**
 * What a motion is written as, in one file: the character with the animation, the animation on its bare joints, BVH on its skeleton,
 * or a VRM animation (VRMC_vrm_animation 1.0).
 */
export const DELIVERY_FORMS = ['glb', 'animation-only', 'bvh', 'vrma'] as const;
export type DeliveryForm = (typeof DELIVERY_FORMS)[number];

export interface DeliverOptions {
  /** gltf: the character with the animation as text, with one new binary file beside it. */
  form: DeliveryForm | 'gltf';
  /** gltf: name of the file beside it; numbered where the character refers to a file of that name. */
  binaryName: string;
  /** Name of the animation. */
  name: string;
  keepAllKeys: boolean;
  /** How far a motion with fewer keys may be off; joints that carry a foot keep to `FOOT_TOLERANCE_SHARE` of it. */
  rotationToleranceDegrees: number;
  translationToleranceMillimetres: number;
  quantise: EncodeOptions['quantise'];
}

export const DELIVER_DEFAULTS: Omit<DeliverOptions, 'name'> = {
  form: 'glb',
  binaryName: 'motion.bin',
  keepAllKeys: false,
  rotationToleranceDegrees: 0.05,
  translationToleranceMillimetres: 0.1,
  quantise: 'float32',
};

/**
 * What joints from the root down to a foot may be off, as a share: errors of a chain add up in the foot, which has to stand.
 * Feet of three walks on a rig of 49 joints were off by up to 1.30 mm with all of 0.05 degree, 0.68 mm with 0.7 of it,
 * 0.21 mm with half, 0.13 mm with 0.3; that takes 0 to 2 % more bytes with int16, 0 to 5 % with float32.
 */
export const FOOT_TOLERANCE_SHARE = 0.3;

/** A file that is ready to be written. */
export interface Delivery extends FileBytes {
  /** Name under which the animation stands in it; that of the clip where the format has no names. */
  animation: string;
  /** Only of a .gltf: the file that has to lie beside it under that name. */
  binary?: { uri: string; bytes: Uint8Array };
  notes: Note[];
}

/** What is stored with the animation, so that a proof samples it at the frames that were made. */
export interface DeliveryExtras {
  rigproof: { frameDuration: number; frames: number };
}

/**
 * Writes a motion on a receiver in the form that is asked for. Nothing is changed.
 * @param clip  world space, on the receiver's skeleton
 * @throws RigproofError as the writers
 */
export function deliver(receiver: Receiver, clip: Clip, options: Partial<DeliverOptions> & { name: string }): Delivery {
  const settings = { ...DELIVER_DEFAULTS, ...options };
  const named = clipWith(clip, { name: settings.name });
  switch (settings.form) {
    case 'bvh': {
      const text = writeBvh(receiver.character.skeleton, toFileSpace(receiver, named));
      return inPieces([new TextEncoder().encode(text)], { animation: settings.name, notes: [] });
    }
    case 'vrma': {
      const { skeleton, body, alignment } = receiver.actor;
      const figure = {
        name: receiver.character.name,
        skeleton,
        posture: alignment.posture,
        roles: body.roles,
        parentRoles: PARENT_ROLE,
      };
      // In metres, as the standard asks.
      const { extras: _none, steady: _joints, ...encode } = writeOptions(receiver, clip, settings, 1);
      return fromGltf(writeVrmAnimation(figure, [named], encode));
    }
    default: {
      const { character, placement } = receiver;
      const clips = [toFileSpace(receiver, named)];
      const encode = writeOptions(receiver, clip, settings, placement.scale);
      if (settings.form === 'gltf') return fromGltf(writeAnimatedGltf(character, clips, settings.binaryName, encode));
      return fromGltf((settings.form === 'glb' ? writeAnimatedGlb : writeAnimationOnly)(character, clips, encode));
    }
  }
}

/** The keys of a motion, to be put into one file together with others by `deliverEncoded`. */
export function encodeDelivery(
  receiver: Receiver,
  clip: Clip,
  options: Partial<DeliverOptions> & { name: string },
): EncodedAnimation {
  const settings = { ...DELIVER_DEFAULTS, ...options };
  const inFile = toFileSpace(receiver, clipWith(clip, { name: settings.name }));
  return encodeClip(receiver.character, inFile, writeOptions(receiver, clip, settings, receiver.placement.scale));
}

/** The character as one .glb with all the motions whose keys are given, in their order. */
export function deliverEncoded(receiver: Receiver, animations: readonly EncodedAnimation[]): WrittenGltf {
  return writeEncodedGlb(receiver.character, animations);
}

function writeOptions(
  { actor }: Receiver,
  clip: Clip,
  settings: Omit<DeliverOptions, 'name'>,
  metresPerUnit: number,
): WriteOptions {
  const rotationTolerance = (settings.rotationToleranceDegrees * Math.PI) / 180;
  const extras: DeliveryExtras = { rigproof: { frameDuration: clip.frameDuration, frames: clip.frameCount } };
  return {
    keepAllKeys: settings.keepAllKeys,
    rotationTolerance,
    steady: { joints: jointsToFeet(actor), rotationTolerance: rotationTolerance * FOOT_TOLERANCE_SHARE },
    translationTolerance: settings.translationToleranceMillimetres / 1000 / metresPerUnit,
    quantise: settings.quantise,
    extras,
  };
}

/** Joints from the roots down to both feet. */
function jointsToFeet({ skeleton, body }: Receiver['actor']): number[] {
  const joints = new Set<number>();
  for (const foot of [body.roles.leftFoot, body.roles.rightFoot]) {
    for (let j = foot ?? -1; j >= 0; j = skeleton.parents[j]!) joints.add(j);
  }
  return [...joints];
}

function fromGltf({ pieces, names, binary, notes }: WrittenGltf): Delivery {
  return inPieces(pieces, { animation: names[0]!, ...(binary && { binary }), notes });
}
