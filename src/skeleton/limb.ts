import type { Side } from './side.ts';

/** The four limbs that inverse kinematics can lead, in array order. */
export const LIMBS = ['leftLeg', 'rightLeg', 'leftArm', 'rightArm'] as const;
export type Limb = (typeof LIMBS)[number];

export const LIMB_PARTS: Readonly<
  Record<
    Limb,
    {
      side: Side;
      kind: 'leg' | 'arm';
      upper: 'UpperLeg' | 'UpperArm';
      lower: 'LowerLeg' | 'LowerArm';
      end: 'Foot' | 'Hand';
    }
  >
> = {
  leftLeg: { side: 'left', kind: 'leg', upper: 'UpperLeg', lower: 'LowerLeg', end: 'Foot' },
  rightLeg: { side: 'right', kind: 'leg', upper: 'UpperLeg', lower: 'LowerLeg', end: 'Foot' },
  leftArm: { side: 'left', kind: 'arm', upper: 'UpperArm', lower: 'LowerArm', end: 'Hand' },
  rightArm: { side: 'right', kind: 'arm', upper: 'UpperArm', lower: 'LowerArm', end: 'Hand' },
};
