/** How far a joint goes in one plane, degrees from standing with the arms hanging. */
export interface RangeOfMotion {
  /** What a positive and what a negative angle is. */
  positive: string;
  negative: string;
  min: number;
  max: number;
  source: string;
}

/**
 * Dorsiflexion of a standing leg, degrees: the published 20 are measured without load, and body weight leans the shin further
 * over its foot (lunge, value from memory).
 */
export const LOADED_DORSIFLEXION = 40;

/**
 * Published ranges of motion. For animation, not for medical use.
 *
 * The larger of the adult means of Soucie et al. 2011 (Haemophilia 17:500–507, table of normal values for men and women
 * of 20 to 44 years) where it has the joint, and of the AAOS handbook; values from memory, rounded to whole degrees.
 */
export const RANGES_OF_MOTION = {
  kneeFlexion: {
    positive: 'flexion',
    negative: 'extension',
    min: 0,
    max: 142,
    source: 'Soucie 2011: 138 (men), 142 (women); AAOS: 135',
  },
  elbowFlexion: {
    positive: 'flexion',
    negative: 'extension',
    min: 0,
    max: 150,
    source: 'Soucie 2011: 145 (men), 150 (women); AAOS: 150',
  },
  hipFlexion: {
    positive: 'flexion',
    negative: 'extension',
    min: -30,
    max: 134,
    source: 'flexion Soucie 2011: 130 (men), 134 (women); extension AAOS: 30',
  },
  ankleFlexion: {
    positive: 'dorsiflexion',
    negative: 'plantar flexion',
    min: -62,
    max: 20,
    source: 'plantar flexion Soucie 2011: 55 (men), 62 (women); dorsiflexion AAOS: 20',
  },
  hipAbduction: { positive: 'abduction', negative: 'adduction', min: -30, max: 45, source: 'AAOS: 45 and 30' },
  hipRotation: {
    positive: 'inward rotation',
    negative: 'outward rotation',
    min: -45,
    max: 45,
    source: 'AAOS: 45 and 45',
  },
  shoulderFlexion: { positive: 'flexion', negative: 'extension', min: -60, max: 180, source: 'AAOS: 180 and 60' },
  shoulderAbduction: { positive: 'abduction', negative: 'adduction', min: 0, max: 180, source: 'AAOS: 180' },
  forearmRotation: { positive: 'pronation', negative: 'supination', min: -80, max: 80, source: 'AAOS: 80 and 80' },
  wristFlexion: { positive: 'flexion', negative: 'extension', min: -70, max: 80, source: 'AAOS: 80 and 70' },
  trunkFlexion: { positive: 'flexion', negative: 'extension', min: -25, max: 80, source: 'AAOS: 80 and 25' },
  trunkBend: { positive: 'to the left', negative: 'to the right', min: -35, max: 35, source: 'AAOS: 35' },
  trunkRotation: { positive: 'to the left', negative: 'to the right', min: -45, max: 45, source: 'AAOS: 45' },
  neckFlexion: { positive: 'flexion', negative: 'extension', min: -45, max: 45, source: 'AAOS: 45 and 45' },
  neckBend: { positive: 'to the left', negative: 'to the right', min: -45, max: 45, source: 'AAOS: 45' },
  neckRotation: { positive: 'to the left', negative: 'to the right', min: -60, max: 60, source: 'AAOS: 60' },
} as const satisfies Record<string, RangeOfMotion>;
