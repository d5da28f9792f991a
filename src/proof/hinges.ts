import { rotateVec, rotateVecInverse, rotateXyz, rotationBetween } from '../math/quat.ts';
import { crossVec, dotVec, normalizeVec, scaleVec, subVec } from '../math/vec.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import type { FootPoints, Json, Measure, Where } from './measure.ts';
import { HINGE_MIN_DEGREES } from './thresholds.ts';
import { type LimbPoints, pelvisAxes, pointAt, rotationIndex, type Track } from './track.ts';

const DEGREES = 180 / Math.PI;
/** Cosine beyond which two bend directions are opposite: more than 110 degrees apart. */
const OPPOSITE = -0.34;

/**
 * How a limb bends in one frame: the angle in radians, the unit direction in which the knee or elbow stands out of the
 * line from root to end, and that line. World space.
 */
export interface Bend {
  angle: number;
  direction: Float64Array;
  line: Float64Array;
}

export function createBend(): Bend {
  return { angle: 0, direction: new Float64Array(3), line: new Float64Array(3) };
}

const root = new Float64Array(3);
const middle = new Float64Array(3);
const end = new Float64Array(3);
const upper = new Float64Array(3);
const lower = new Float64Array(3);
const normal = new Float64Array(3);

/** Writes the bend of frame `f`. A straight limb has angle 0 and no direction (zeros). */
export function bendAt(track: Track, limb: LimbPoints, f: number, out: Bend): void {
  pointAt(track, f, limb.root, root, 0);
  pointAt(track, f, limb.middle, middle, 0);
  pointAt(track, f, limb.end, end, 0);
  subVec(upper, 0, middle, 0, root, 0);
  subVec(lower, 0, end, 0, middle, 0);
  subVec(out.line, 0, end, 0, root, 0);
  crossVec(normal, 0, upper, 0, lower, 0);
  out.angle = Math.atan2(Math.hypot(normal[0]!, normal[1]!, normal[2]!), dotVec(upper, 0, lower, 0));
  const length2 = dotVec(out.line, 0, out.line, 0);
  const along = length2 > 0 ? dotVec(upper, 0, out.line, 0) / length2 : 0;
  scaleVec(out.direction, 0, out.line, 0, -along);
  for (let k = 0; k < 3; k++) out.direction[k]! += upper[k]!;
  normalizeVec(out.direction, 0);
}

/** Knees and elbows that are bent against their hinge. */
export function measureHinges(evidence: Evidence): Measure[] {
  return [hinge(evidence, 'hinge-knee'), hinge(evidence, 'hinge-elbow')];
}

function hinge(evidence: Evidence, id: 'hinge-knee' | 'hinge-elbow'): Measure {
  const { target, source, sharedFrames } = evidence;
  const isKnee = id === 'hinge-knee';
  const places: Where[] = [];
  const details: { [key: string]: Json } = { judgedAboveDegrees: HINGE_MIN_DEGREES };
  let faults = 0;
  let judged = 0;
  let found = false;
  const own = createBend();
  const performer = createBend();
  for (const side of SIDES) {
    const name = isKnee ? (`${side}Leg` as const) : (`${side}Arm` as const);
    const limb = target.limbs[name];
    if (!limb) continue;
    found = true;
    const srcLimb = source?.limbs[name] ?? null;
    const sense = bendSense(target, limb, side, evidence.feet[side], isKnee);
    const srcSense = source && srcLimb ? bendSense(source, srcLimb, side, evidence.sourceFeet[side], isKnee) : null;
    const wrong = new Float64Array(target.frameCount);
    let srcWrong = 0;
    for (let f = 0; f < target.frameCount; f++) {
      bendAt(target, limb, f, own);
      const compare = source && srcLimb && f < sharedFrames;
      if (compare) bendAt(source, srcLimb, f, performer);
      const srcBent = compare && performer.angle * DEGREES > HINGE_MIN_DEGREES;
      const srcAgainst = Boolean(srcBent && srcSense?.(f, performer) === false);
      if (srcAgainst) srcWrong++;
      if (own.angle * DEGREES <= HINGE_MIN_DEGREES) continue;
      judged++;
      const against = sense(f, own) === false;
      const opposite = srcBent ? carriedCosine(performer, own) < OPPOSITE : false;
      // A bent source is the better witness; the body itself is asked where the source's limb is straight or absent,
      // and for the knee always, since its sense can be read from the leg and the foot.
      const fault = srcBent ? opposite || (isKnee && against && !srcAgainst) : against;
      if (fault) wrong[f] = own.angle * DEGREES;
    }
    const limbFaults = wrong.reduce((sum, angle) => sum + (angle > 0 ? 1 : 0), 0);
    faults += limbFaults;
    details[side] = { faults: limbFaults, sourceAgainst: srcWrong };
    for (const place of placesAbove(target, limb.roles.middle, limb.middle.joint, wrong, 0)) {
      const note = `bent ${place.value.toFixed(0)}° the wrong way`;
      places.push({ ...place, value: place.frames[1] - place.frames[0] + 1, note });
    }
  }
  if (!found) return notMeasured(evidence, id, `no ${isKnee ? 'leg' : 'arm'} with three joints was paired`);
  if (target.frameCount === 0) return notMeasured(evidence, id, 'the clip has no frames');
  return measured(evidence, id, faults, places, { ...details, judgedFrames: judged });
}

const turn = new Float64Array(4);
const carried = new Float64Array(3);

/** Cosine between two bend directions after the first limb was swung onto the line of the second. */
function carriedCosine(a: Bend, b: Bend): number {
  rotationBetween(turn, 0, a.line, 0, b.line, 0);
  rotateVec(carried, 0, turn, 0, a.direction, 0);
  return dotVec(carried, 0, b.direction, 0);
}

/** True: bends as it should; false: against; null: cannot be told. */
type BendSense = (f: number, bend: Bend) => boolean | null;

function bendSense(track: Track, limb: LimbPoints, side: Side, foot: FootPoints | null, isKnee: boolean): BendSense {
  return isKnee ? kneeSense(track, foot) : elbowSense(track, limb, side);
}

const axes = new Float64Array(9);
const down = new Float64Array(3);
const ahead = new Float64Array(3);
const heading = new Float64Array(3);

/**
 * A knee stands out to the front: of the pelvis, whose front is swung along with the leg (down the trunk onto the line
 * from hip to ankle), and of the foot. Against means that both, on the mean, see it behind.
 */
function kneeSense(track: Track, foot: FootPoints | null): BendSense {
  return (f, bend) => {
    let sum = 0;
    let count = 0;
    if (pelvisAxes(track, f, axes, 0)) {
      for (let k = 0; k < 3; k++) {
        down[k] = -axes[3 + k]!;
        ahead[k] = axes[6 + k]!;
      }
      rotationBetween(turn, 0, down, 0, bend.line, 0);
      rotateVec(ahead, 0, turn, 0, ahead, 0);
      sum += dotVec(ahead, 0, bend.direction, 0);
      count++;
    }
    if (foot) {
      rotateXyz(heading, 0, track.rotations, rotationIndex(track, f, foot.heel.joint), ...foot.heading);
      const length2 = dotVec(bend.line, 0, bend.line, 0);
      const along = length2 > 0 ? dotVec(heading, 0, bend.line, 0) / length2 : 0;
      for (let k = 0; k < 3; k++) heading[k]! -= along * bend.line[k]!;
      // A foot stretched along the shin points nowhere.
      if (normalizeVec(heading, 0) > 0.3) {
        sum += dotVec(heading, 0, bend.direction, 0);
        count++;
      }
    }
    return count === 0 ? null : sum / count > -0.25;
  };
}

/**
 * An elbow brings the forearm to the front as the rest pose sees it, or the way it is already bent there; the upper arm
 * carries that direction with it. Against means more than 120 degrees away. A rest pose that does not stand tells nothing.
 */
function elbowSense(track: Track, limb: LimbPoints, side: Side): BendSense {
  const { rest } = track;
  if (!track.standing) return () => null;
  const shoulder = limb.root.joint;
  const flexed = new Float64Array([0, 0, 1]);
  const line = new Float64Array(3);
  subVec(line, 0, rest.positions, limb.middle.joint * 3, rest.positions, shoulder * 3);
  normalizeVec(line, 0);
  const sideways = side === 'left' ? line[0]! : -line[0]!;
  // An arm that is held out to the front or behind has no front of its own.
  if (Math.abs(line[2]!) > 0.8 || (sideways < -0.3 && line[1]! > -0.5)) return () => null;
  rotateVecInverse(flexed, 0, rest.rotations, shoulder * 4, flexed, 0);
  const expected = new Float64Array(3);
  return (f, bend) => {
    rotateVec(expected, 0, track.rotations, rotationIndex(track, f, shoulder), flexed, 0);
    const length2 = dotVec(bend.line, 0, bend.line, 0);
    const along = length2 > 0 ? dotVec(expected, 0, bend.line, 0) / length2 : 0;
    for (let k = 0; k < 3; k++) expected[k]! -= along * bend.line[k]!;
    if (normalizeVec(expected, 0) < 0.2) return null;
    // The elbow stands out on the side from which the forearm comes.
    return -dotVec(expected, 0, bend.direction, 0) > -0.5;
  };
}
