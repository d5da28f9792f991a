import { CONVERT_DEFAULTS, type ConvertOptions } from '../convert/convert.ts';
import { DELIVER_DEFAULTS, type DeliveryForm } from '../convert/deliver.ts';
import { SAMPLE_FPS } from '../convert/reread.ts';
import type { RootMotion } from '../convert/root-motion.ts';
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
  /** Frames a second at which clips from glTF files are sampled. */
  sampleFps: number;
  /** What is done to a motion on its way: filters, ranges, hands, stretch. */
  motion: Pick<ConvertOptions, 'hands' | 'filter' | 'enforceRanges' | 'allowStretch' | 'poles'>;
  /** Whether each result is read back and measured. */
  proof: boolean;
  sheets: SheetChoice;
  naming: string;
}

export const BATCH_DEFAULTS: BatchSettings = {
  form: 'glb',
  pack: false,
  rootMotion: 'keep',
  contact: true,
  keepRestFrames: false,
  keepAllKeys: DELIVER_DEFAULTS.keepAllKeys,
  rotationToleranceDegrees: DELIVER_DEFAULTS.rotationToleranceDegrees,
  translationToleranceMillimetres: DELIVER_DEFAULTS.translationToleranceMillimetres,
  quantise: 'float32',
  sampleFps: SAMPLE_FPS,
  motion: {
    hands: CONVERT_DEFAULTS.hands,
    filter: CONVERT_DEFAULTS.filter,
    enforceRanges: CONVERT_DEFAULTS.enforceRanges,
    allowStretch: CONVERT_DEFAULTS.allowStretch,
    poles: CONVERT_DEFAULTS.poles,
  },
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
