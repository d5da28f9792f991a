import type { Note } from '../errors.ts';
import type { Role, RoleMap } from '../pairing/roles.ts';
import type { Clip } from '../skeleton/clip.ts';
import type { FootContacts } from '../skeleton/contact-interval.ts';
import type { Side } from '../skeleton/side.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';
import type { SkinMesh } from '../skeleton/skin.ts';
import type { UnreachedPlant } from '../skeleton/unreached-plant.ts';
import type { MeasureId, Unit } from './thresholds.ts';

/** A point that moves with a joint. */
export interface BodyPoint {
  joint: number;
  /** In the joint's frame, metres. */
  offset: [number, number, number];
}

/** Where a foot touches the ground. The points lie on the sole. */
export interface FootPoints {
  /** The rear edge of the tread, over which the foot rolls. */
  heel: BodyPoint;
  /** The front end of the heel's tread: the foot turns on some point between it and `heel`; null where it is not known. */
  heelFront: BodyPoint | null;
  /** Under the joint of the toes; where there is none (or not there) at the widest part of the foot. */
  ball: BodyPoint;
  /** The front end of the sole; null where nothing tells how long the foot is. */
  toe: BodyPoint | null;
  /** Directions in the frame of the heel's joint when the foot stands flat: from heel to toe, and up. */
  heading: [number, number, number];
  up: [number, number, number];
  /** What they were measured on. */
  from: 'skin' | 'rest pose' | 'motion' | 'given';
}

/** A figure that moves: world space, metres, Y up, facing +Z, floor at y = 0. */
export interface ProofFigure {
  skeleton: Skeleton;
  clip: Clip;
  roles: RoleMap;
  /** Without a mesh the skin is not judged and the sole is taken from the joints. */
  skins?: readonly SkinMesh[];
  /** Known contact points; measured where left out. */
  feet?: Record<Side, FootPoints>;
}

export interface ProofOptions {
  /**
   * What stands when, in seconds from the first frame of the *source* (of the target where there is no source).
   * Left out: low and slow points are searched for.
   */
  contacts?: FootContacts;
  /**
   * Plants that could not be reached, as who made the motion says (`Conversion.unreached`): on the source's time line, as
   * `contacts`. The measures stay what they are; what they show is explained.
   */
  unreached?: readonly UnreachedPlant[];
  /** Replace thresholds, in the measure's own unit. */
  thresholds?: Partial<Record<MeasureId, number>>;
  /** Source frame that the target's first frame shows; 0 unless frames were cut off. */
  frameOffset?: number;
  /** Velocity of the ground under the target, m/s: a treadmill. */
  groundVelocity?: readonly [number, number, number];
  /** The root's travel was removed on purpose: plants cannot stand and are not judged. */
  inPlace?: boolean;
  /** Share by which bones may stretch because it was asked for: 0.05 is 5 %. */
  allowedStretch?: number;
  /** Frames on which the skin is measured; 24 unless said otherwise. */
  skinFrames?: number;
}

export type Json = string | number | boolean | null | Json[] | { [key: string]: Json };

/** A place in the motion where a measure is above its threshold, or comes nearest to it. */
export interface Where {
  role: Role;
  /** The joint's name in the rig; `#` and its index where it has none. */
  joint: string;
  /** First and last frame of the target clip, both included, from 0. */
  frames: [number, number];
  /** Where it is worst in them, and how bad it is there, in the measure's unit. */
  worstFrame: number;
  value: number;
  /** What else is known: which point of the foot, why it could not be better. */
  note?: string;
  /** The vertex at which it is worst, for what is measured on the skin. */
  vertex?: MeshVertex;
}

export interface MeshVertex {
  /** Name of the mesh's node. */
  mesh: string;
  /** As the mesh counts them: its primitives one behind the other. */
  index: number;
}

export interface Measure {
  id: MeasureId;
  /** One sentence: what was measured. */
  meaning: string;
  /** Null when it could not be taken. */
  value: number | null;
  unit: Unit;
  /** The largest value that passes. */
  threshold: number;
  /** Why the threshold stands where it does, and where it comes from. */
  reason: string;
  verdict: 'pass' | 'fail' | 'not measured';
  /** Why it could not be taken; null when it was. */
  notMeasured: string | null;
  /** Worst first, at most 12; only what is above the threshold. */
  where: Where[];
  /** What to change in the rig or in the options; null when there is nothing to mend. */
  remedy: string | null;
  details: { [key: string]: Json };
}

export interface Proof {
  /** Version of this record. */
  version: 1;
  verdict: 'pass' | 'fail' | 'not measured';
  counts: { pass: number; fail: number; notMeasured: number };
  measures: Measure[];
  figures: {
    target: FigureFacts;
    source: FigureFacts | null;
  };
  contacts: {
    /** Who said when the feet stand. */
    from: 'given' | 'found on the source' | 'found on the target' | 'none';
    intervals: PlantRecord[];
  };
  /** Plants that could not be reached, on frames of the target; absent where nothing was said about them. */
  unreached?: UnreachedPlant[];
  notes: Note[];
}

export interface FigureFacts {
  joints: number;
  frames: number;
  /** Frames a second. */
  rate: number;
  /** Metres, thigh and shin; the mean of both legs. */
  legLength: number;
  roles: number;
  /** What the contact points of the feet were measured on. */
  feet: FootPoints['from'] | null;
}

/** One time span in which a point of a foot stands. Frames of the target; lengths as a share of its leg length. */
export interface PlantRecord {
  side: Side;
  point: 'heel' | 'ball';
  frames: [number, number];
  /** Seconds from the target's first frame. */
  start: number;
  end: number;
  /** Largest horizontal distance between two positions in the span. */
  travel: number;
  /** Mean height above the floor; below zero is sunk. */
  height: number;
  /** The smallest gap left between the length of the leg and the distance it has to span. */
  reserve: number;
}
