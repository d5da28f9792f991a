import { RigproofError } from '../errors.ts';
import { HALF_WINDOW } from './motion.ts';
import { CONTACT_DEFAULTS, type ContactOptions } from './track.ts';

/** What a live detector has to be told, since it cannot see the clip. */
export interface LiveContactInput {
  /** Frames a second. */
  fps: number;
  /** Leg length, hip to floor, metres. */
  legLength: number;
  /** Velocity of the ground, [x, y, z] m/s; zero when absent. */
  groundVelocity?: readonly [number, number, number];
  /**
   * Heights at which left heel, left ball, right heel and right ball rest, metres; learnt from the motion when absent,
   * in which case the first stance may come late.
   */
  rests?: readonly [number, number, number, number];
}

/** Contacts while the frames come in. */
export interface ContactDetector {
  /**
   * Takes the next frame and says which points are in contact: left heel, left ball, right heel, right ball, each 0 or 1.
   * The array is the detector's own and is overwritten by the next call. Allocates nothing.
   * @param points  the four points in that order, 12 numbers, metres, Y up
   */
  push(points: Float64Array): Uint8Array;
  /** Seconds by which the answer lags: the speed of a frame is known when as many frames after it have come. */
  readonly latency: number;
}

/** s. How fast the memory of fast speeds and of resting heights fades. */
const SPEED_MEMORY = 5;
const REST_MEMORY = 3;

/**
 * The causal form of `detectContacts`, for live use: frame by frame, with the same thresholds, over the frames that have
 * been. What needs the whole clip is absent: a slope, steps, and the closing of short gaps. A contact lasts at least the
 * shortest stance unless the point clearly leaves, so that the answer does not flicker.
 *
 * @throws CONTACT_FRAME_RATE, CONTACT_LEG_LENGTH
 */
export function createContactDetector(input: LiveContactInput, options: Partial<ContactOptions> = {}): ContactDetector {
  const settings: ContactOptions = { ...CONTACT_DEFAULTS, ...options };
  const { fps, legLength } = input;
  if (!(fps > 0 && Number.isFinite(fps))) {
    throw new RigproofError('CONTACT_FRAME_RATE', `The frame rate is ${fps}; a positive number is needed.`);
  }
  if (!(legLength > 0 && Number.isFinite(legLength))) {
    throw new RigproofError(
      'CONTACT_LEG_LENGTH',
      `The leg length is ${legLength}; a positive number of metres is needed.`,
    );
  }
  const half = Math.max(1, Math.round(HALF_WINDOW * fps));
  const span = 2 * half + 1;
  const slope = fps / ((half * (half + 1) * span) / 3);
  const [gx, gy, gz] = input.groundVelocity ?? [0, 0, 0];
  const tolerance = settings.liftHeight * legLength;
  const stillLeast = settings.stillSpeedMin * legLength;
  const stillMost = settings.stillSpeedMax * legLength;
  const fade = Math.exp(-1 / (SPEED_MEMORY * fps));
  const rise = 1 - Math.exp(-1 / (REST_MEMORY * fps));

  const history = new Float64Array(span * 12);
  const contacts = new Uint8Array(4);
  const rests = Float64Array.from(input.rests ?? [Number.NaN, Number.NaN, Number.NaN, Number.NaN]);
  const learns = !input.rests;
  // Peak speed of the swing phase that is going on, the usual one of those before, and frames since a contact began, a
  // point. Until a swing phase has been seen, the usual one is that of a brisk walk.
  const peaks = new Float64Array(4);
  const usualPeaks = new Float64Array(4).fill((settings.stillSpeedMax * legLength) / settings.strikeShare);
  const ages = new Float64Array(4);
  let fast = 0;
  let frameCount = 0;

  return {
    latency: half / fps,
    push(points) {
      // The ring holds the last frames; before it is full, all of it is the first frame.
      const first = frameCount === 0 ? span : 1;
      for (let i = 0; i < first; i++) {
        const at = ((frameCount + i) % span) * 12;
        for (let k = 0; k < 12; k++) history[at + k] = points[k]!;
      }
      const newest = frameCount % span;
      frameCount++;
      fast *= fade;
      for (let p = 0; p < 4; p++) {
        let x = 0;
        let y = 0;
        let z = 0;
        for (let i = 0; i < span; i++) {
          const at = ((newest + 1 + i) % span) * 12 + p * 3;
          const k = i - half;
          x += k * history[at]!;
          y += k * history[at + 1]!;
          z += k * history[at + 2]!;
        }
        x = x * slope - gx;
        y = y * slope - gy;
        z = z * slope - gz;
        // Before the ring is full the slope is not one; a ground that moves would look like motion.
        const speed = frameCount < span ? 0 : Math.sqrt(x * x + y * y + z * z);
        if (speed > fast) fast = speed;
        const still = Math.min(stillMost, Math.max(stillLeast, settings.stillShare * fast));
        const height = history[((newest + 1 + half) % span) * 12 + p * 3 + 1]!;
        if (learns && speed < still) {
          if (!(height >= rests[p]! - tolerance)) rests[p] = height;
          else if (height < rests[p]! + 2 * tolerance) rests[p]! += rise * (height - rests[p]!);
        }
        const lift = height - rests[p]!;
        if (contacts[p] === 1) {
          ages[p]!++;
          const release = Math.max(
            still,
            Math.min(settings.releaseSpeedMax * legLength, settings.releaseShare * usualPeaks[p]!),
          );
          const leaves = speed > release || lift > 1.5 * tolerance;
          const surely = speed > 2 * release || lift > 3 * tolerance;
          if (surely || (leaves && ages[p]! >= settings.stanceMin * fps)) {
            contacts[p] = 0;
            peaks[p] = 0;
          }
        } else {
          if (speed > peaks[p]!) peaks[p] = speed;
          const strike = Math.max(
            still,
            Math.min(
              settings.strikeSpeedMax * legLength,
              settings.strikeShare * Math.max(peaks[p]!, 0.5 * usualPeaks[p]!),
            ),
          );
          if (speed < strike && lift < tolerance) {
            contacts[p] = 1;
            ages[p] = 0;
            if (peaks[p]! > 2 * still) usualPeaks[p] = (usualPeaks[p]! + peaks[p]!) / 2;
          }
        }
      }
      return contacts;
    },
  };
}
