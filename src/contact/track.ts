import type { Floor } from './floor.ts';
import type { PointSet } from './motion.ts';

/**
 * Speeds are in leg lengths a second and heights in leg lengths, so that a clip gives the same contacts at any size.
 * The shares are of the peak speed of the swing phase beside an edge: the edge of a slow shuffle is as sharp as that of
 * a run.
 */
export interface ContactOptions {
  /** A point that is slower keeps still, whatever the motion; a faster one may, where the clip is fast. */
  stillSpeedMin: number;
  /** A point that is faster never keeps still. */
  stillSpeedMax: number;
  /** Between the two: this share of the clip's fast speeds (95th percentile). */
  stillShare: number;
  /** A contact begins when the speed falls below this share of the peak before, and at most `strikeSpeedMax`. */
  strikeShare: number;
  strikeSpeedMax: number;
  /** A contact ends when the speed rises above this share of the peak after, and at most `releaseSpeedMax`. */
  releaseShare: number;
  releaseSpeedMax: number;
  /** A point this much higher than where it rests is off the ground. */
  liftHeight: number;
  /** Seconds. A contact that is shorter, within the clip, is dropped. */
  stanceMin: number;
  /** Seconds. A gap between two contacts that is shorter is closed. */
  swingMin: number;
}

export const CONTACT_DEFAULTS: Readonly<ContactOptions> = {
  stillSpeedMin: 0.1,
  stillSpeedMax: 0.5,
  stillShare: 0.12,
  strikeShare: 0.17,
  strikeSpeedMax: 0.8,
  releaseShare: 0.25,
  releaseSpeedMax: 1.2,
  liftHeight: 0.02,
  stanceMin: 0.06,
  swingMin: 0.08,
};

/** A point may be so many lift heights below its usual rest: a heel sinks in at heel strike. */
export const SINK_MAX = 2.5;

/** All that is measured on the four points, by frame. */
export interface Track {
  points: PointSet;
  /** m/s over the ground. */
  speeds: Float64Array[];
  /** Metres above where the point rests. */
  heights: Float64Array[];
  floor: Floor;
  fps: number;
  /** m/s. */
  groundVelocity: readonly [number, number, number];
  legLength: number;
  /** Speed below which a point keeps still in this clip, m/s. */
  still: number;
  /** 95th percentile of all speeds, m/s. */
  fast: number;
  /** Speed that noise alone makes, m/s. */
  noise: number;
  settings: ContactOptions;
}

/** A stretch of frames, both ends included, in which a point keeps still at one height over its rest. */
export interface Core {
  first: number;
  last: number;
  /** Mean height, metres above where the point rests. */
  level: number;
  /** The mean height of its highest part. */
  top: number;
}
