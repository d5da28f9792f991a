import { distance, type Foot, toLocal, type Vec } from './foot.ts';

/** The points of one foot that meet the ground. Positions in the frame of `joint`, metres. */
export interface Sole {
  /** The foot joint; the lower leg where the figure has no foot joint. */
  joint: number;
  heel: Vec;
  ball: Vec;
  toeTip: Vec;
  /** Ends of the tread: behind, over which a foot rolls with its toes up, and in front, over which a stiff one rolls. */
  rear: Vec;
  front: Vec;
  /** The toes joint, if there is one, and the toe tip in its frame. */
  toesJoint: number | null;
  toeTipInToes: Vec | null;
  /** The front end of the tread in the frame of the toes joint. */
  frontInToes: Vec | null;
  /** Height of the joint above the sole when the foot stands flat. */
  soleHeight: number;
  /** From heel end to toe tip. */
  length: number;
  /** Whether it was measured on the skinned mesh or laid out from joints. */
  source: 'mesh' | 'joints';
}

/** Where the sole of a foot lies in a pose, world space, metres. */
export type SolePoints = Record<'heel' | 'ball' | 'toeTip' | 'rear' | 'front', Vec>;

/** The sole that has these points in the pose of the foot. */
export function soleAt(foot: Foot, points: SolePoints, soleHeight: number, source: Sole['source'] = 'joints'): Sole {
  const { pose, joint, toesJoint } = foot;
  return {
    joint,
    heel: toLocal(pose, joint, points.heel),
    ball: toLocal(pose, joint, points.ball),
    toeTip: toLocal(pose, joint, points.toeTip),
    rear: toLocal(pose, joint, points.rear),
    front: toLocal(pose, joint, points.front),
    toesJoint,
    toeTipInToes: toesJoint === null ? null : toLocal(pose, toesJoint, points.toeTip),
    frontInToes: toesJoint === null ? null : toLocal(pose, toesJoint, points.front),
    soleHeight,
    length: distance(points.heel, points.toeTip),
    source,
  };
}
