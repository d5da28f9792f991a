import { DELIVER_DEFAULTS, type DeliveryForm } from '../convert/deliver.ts';
import { SAMPLE_FPS } from '../convert/reread.ts';
import type { RootMotion } from '../convert/root-motion.ts';
import { RETARGET_DEFAULTS } from '../retarget/plan.ts';
import type { Limb } from '../skeleton/limb.ts';
import { DEFAULT_NAMING } from './names.ts';

/** Which proof sheets are written. */
export const SHEET_CHOICES = ['all', 'failed', 'none'] as const;
export type SheetChoice = (typeof SHEET_CHOICES)[number];

/** What decides how a clip is put onto a character. Plain data: it is part of what a result is known by. */
export interface BatchSettings {
  form: DeliveryForm;
  /** One file a character with all clips as its animations, in place of one a clip. Only with `glb`. */
  pack: boolean;
  rootMotion: RootMotion;
  contact: boolean;
  keepRestFrames: boolean;
  keepAllKeys: boolean;
  rotationToleranceDegrees: number;
  translationToleranceMillimetres: number;
  quantise: 'float32' | 'int16';
  /** Frames a second of the result; null: those of the clip. */
  fps: number | null;
  /** Frames a second at which clips from glTF files are sampled. */
  sampleFps: number;
  reach: Record<Limb, number>;
  /** Whether each result is read back and measured. */
  proof: boolean;
  sheets: SheetChoice;
  naming: string;
}

export const BATCH_DEFAULTS: BatchSettings = {
  form: DELIVER_DEFAULTS.form,
  pack: false,
  rootMotion: 'keep',
  contact: true,
  keepRestFrames: false,
  keepAllKeys: DELIVER_DEFAULTS.keepAllKeys,
  rotationToleranceDegrees: DELIVER_DEFAULTS.rotationToleranceDegrees,
  translationToleranceMillimetres: DELIVER_DEFAULTS.translationToleranceMillimetres,
  quantise: 'float32',
  fps: null,
  sampleFps: SAMPLE_FPS,
  reach: { ...RETARGET_DEFAULTS.reach },
  proof: true,
  sheets: 'failed',
  naming: DEFAULT_NAMING,
};

const EXTENSIONS: Record<DeliveryForm, string> = { glb: '.glb', 'animation-only': '.glb', bvh: '.bvh', vrma: '.vrma' };

export function extensionOf(form: DeliveryForm): string {
  return EXTENSIONS[form];
}

/** A worker of a queue that has not given a sign for so long is taken for dead. */
export const LOST_AFTER = 30; // s
