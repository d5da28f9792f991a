import { rotateVec, rotateVecInverse, rotationBetween } from '../math/quat.ts';
import { copyVec, dotVec, normalizeVec, scaleVec, subVec } from '../math/vec.ts';
import { oncePerKey } from '../skeleton/once-per.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { type Bends, bendsOf } from './bends.ts';
import { type Evidence, measured, notMeasured, placesAbove } from './evidence.ts';
import { footPointsOf, headingsOf } from './foot-points.ts';
import type { Json, Measure, Where } from './measure.ts';
import { HINGE_MIN_DEGREES } from './thresholds.ts';
import { jointTurns, pathOf, pelvisAxesOf, type Track } from './track.ts';

/** Cosine beyond which two bend directions are opposite: more than 110 degrees apart. */
const OPPOSITE = -0.34;

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
  // Of one limb after the other.
  const wrong = new Float64Array(target.frameCount);
  for (const side of SIDES) {
    const name = isKnee ? (`${side}Leg` as const) : (`${side}Arm` as const);
    const limb = target.limbs[name];
    const own = bendsOf(target, name);
    if (!limb || !own) continue;
    found = true;
    const its = source && bendsOf(source, name);
    const againstOf = isKnee ? kneeAgainst : elbowAgainst;
    wrong.fill(0);
    let beside = 0;
    let sourceAgainst = 0;
    if (source && its) {
      beside = sharedFrames;
      const itsAgainst = againstOf(source, side);
      faultsBeside(wrong, own, its, againstOf(target, side), itsAgainst, isKnee, sharedFrames);
      sourceAgainst = countSet(itsAgainst, sharedFrames);
    }
    faultsAlone(wrong, own, againstOf(target, side), beside);
    judged += countBent(own.degrees);
    const limbFaults = countSet(wrong, wrong.length);
    faults += limbFaults;
    details[side] = { faults: limbFaults, sourceAgainst };
    for (const place of placesAbove(target, limb.roles.middle, limb.middle.joint, wrong, 0)) {
      const note = `bent ${place.value.toFixed(0)}° the wrong way`;
      places.push({ ...place, value: place.frames[1] - place.frames[0] + 1, note });
    }
  }
  if (!found) return notMeasured(evidence, id, `no ${isKnee ? 'leg' : 'arm'} with three joints was paired`);
  if (target.frameCount === 0) return notMeasured(evidence, id, 'the clip has no frames');
  return measured(evidence, id, faults, places, { ...details, judgedFrames: judged });
}

function isBent(degrees: number): boolean {
  return degrees > HINGE_MIN_DEGREES;
}

function countBent(degrees: Float64Array): number {
  let count = 0;
  for (let f = 0; f < degrees.length; f++) if (isBent(degrees[f]!)) count++;
  return count;
}

function countSet(values: ArrayLike<number>, frameCount: number): number {
  let count = 0;
  for (let f = 0; f < frameCount; f++) if (values[f]! > 0) count++;
  return count;
}

/** Degrees of the frames from `first` on in which a limb is bent against its sense. */
function faultsAlone(wrong: Float64Array, own: Bends, against: Uint8Array, first: number): void {
  for (let f = first; f < wrong.length; f++) if (against[f] === 1) wrong[f] = own.degrees[f]!;
}

/**
 * Degrees of the frames in which a limb is bent the wrong way beside a source. A bent source is the better witness; the body
 * itself is asked where the source's limb is straight, and for the knee always, since its sense can be read from the leg and
 * the foot.
 */
function faultsBeside(
  wrong: Float64Array,
  own: Bends,
  its: Bends,
  against: Uint8Array,
  itsAgainst: Uint8Array,
  isKnee: boolean,
  frameCount: number,
): void {
  for (let f = 0, i = 0; f < frameCount; f++, i += 3) {
    if (!isBent(own.degrees[f]!)) continue;
    const fault = isBent(its.degrees[f]!)
      ? (isKnee && against[f] === 1 && itsAgainst[f] === 0) ||
        carriedCosine(its.lines, i, own.lines, i, its.directions, i, own.directions, i) < OPPOSITE
      : against[f] === 1;
    if (fault) wrong[f] = own.degrees[f]!;
  }
}

const turn = new Float64Array(4);
const carried = new Float64Array(3);

/**
 * Cosine between a direction v, taken along as the line a is swung onto the line b, and a direction d; v is square to a, and d
 * to b. Of Rodrigues' formula for the shortest rotation of a to b, that leaves v · d − (b · v)(a · d) / (|a||b| + a · b).
 */
function carriedCosine(
  a: Float64Array,
  i: number,
  b: Float64Array,
  j: number,
  v: Float64Array,
  k: number,
  d: Float64Array,
  l: number,
): number {
  const lengths = Math.sqrt(dotVec(a, i, a, i) * dotVec(b, j, b, j));
  const sum = lengths + dotVec(a, i, b, j);
  if (sum > NEARLY_OPPOSITE * lengths) return dotVec(v, k, d, l) - (dotVec(b, j, v, k) * dotVec(a, i, d, l)) / sum;
  rotationBetween(turn, 0, a, i, b, j);
  rotateVec(carried, 0, turn, 0, v, k);
  return dotVec(carried, 0, d, l);
}

/** Below this share of their lengths (1.4 µrad) the sum of two lines that point apart drowns in rounding. */
const NEARLY_OPPOSITE = 1e-12;

const NONE = new Float64Array(0);

/**
 * Frames in which a bent knee stands out behind: 1. It should stand out to the front: of the pelvis, whose front is swung along
 * with the leg (down the trunk onto the line from hip to ankle), and of the foot, which tells the front of the shin however it is
 * pitched. Against means that both, on the mean, see it behind.
 */
const kneeAgainst = oncePerKey((track: Track, side: Side): Uint8Array => {
  const against = new Uint8Array(track.frameCount);
  const bends = bendsOf(track, `${side}Leg`);
  const foot = footPointsOf(track, side);
  const axes = pelvisAxesOf(track);
  const limb = track.limbs[`${side}Leg`];
  if (bends && limb) {
    const headings = foot ? headingsOf(track, foot) : NONE;
    judgeKnee(against, bends, pathOf(track, limb.middle), pathOf(track, limb.end), axes ?? NONE, headings);
  }
  return against;
});

/** Share of a foot that is square to its shin: 60 degrees of flexion, which is what an ankle has. */
const STRETCHED = 0.5;

const down = new Float64Array(3);
const ahead = new Float64Array(3);
const shin = new Float64Array(3);

/** @param axes, headings  empty where there are none */
function judgeKnee(
  against: Uint8Array,
  { degrees, directions, lines }: Bends,
  knee: Float64Array,
  ankle: Float64Array,
  axes: Float64Array,
  headings: Float64Array,
): void {
  for (let f = 0, i = 0, a = 0; f < against.length; f++, i += 3, a += 9) {
    if (!isBent(degrees[f]!)) continue;
    let sum = 0;
    let count = 0;
    if (axes.length > 0 && !Number.isNaN(axes[a]!)) {
      scaleVec(down, 0, axes, a + 3, -1);
      sum += carriedCosine(down, 0, lines, i, axes, a + 6, directions, i);
      count++;
    }
    if (headings.length > 0) {
      copyVec(ahead, 0, headings, i);
      subVec(shin, 0, ankle, i, knee, i);
      // A foot stretched along its shin points nowhere. Else it tells the shin's front, which the shin takes along to the line.
      if (squareTo(ahead, shin, 0) > STRETCHED) {
        sum += carriedCosine(shin, 0, lines, i, ahead, 0, directions, i);
        count++;
      }
    }
    if (count > 0 && sum / count <= -0.25) against[f] = 1;
  }
}

/** Makes a vector square to the line at `i` and of length 1; returns the length that it had when it was square. */
function squareTo(vec: Float64Array, line: Float64Array, i: number): number {
  const length2 = dotVec(line, i, line, i);
  const along = length2 > 0 ? dotVec(vec, 0, line, i) / length2 : 0;
  for (let k = 0; k < 3; k++) vec[k]! -= along * line[i + k]!;
  return normalizeVec(vec, 0);
}

/**
 * Frames in which a bent elbow is bent against its sense: 1. An elbow brings the forearm to the front as the rest pose sees it;
 * the upper arm carries that direction with it. Against means more than 120 degrees away. A rest pose that does not stand tells
 * nothing.
 */
const elbowAgainst = oncePerKey((track: Track, side: Side): Uint8Array => {
  const against = new Uint8Array(track.frameCount);
  const limb = track.limbs[`${side}Arm`];
  const bends = bendsOf(track, `${side}Arm`);
  const { rest } = track;
  if (!limb || !bends || !track.standing) return against;
  const shoulder = limb.root.joint;
  const line = new Float64Array(3);
  subVec(line, 0, rest.positions, limb.middle.joint * 3, rest.positions, shoulder * 3);
  normalizeVec(line, 0);
  const sideways = side === 'left' ? line[0]! : -line[0]!;
  // An arm that is held out to the front or behind has no front of its own.
  if (Math.abs(line[2]!) > 0.8 || (sideways < -0.3 && line[1]! > -0.5)) return against;
  const flexed = new Float64Array([0, 0, 1]);
  rotateVecInverse(flexed, 0, rest.rotations, shoulder * 4, flexed, 0);
  judgeElbow(against, bends, jointTurns(track, shoulder), flexed);
  return against;
});

const expected = new Float64Array(3);

function judgeElbow(
  against: Uint8Array,
  { degrees, directions, lines }: Bends,
  shoulder: Float64Array,
  flexed: Float64Array,
): void {
  for (let f = 0, i = 0; f < against.length; f++, i += 3) {
    if (!isBent(degrees[f]!)) continue;
    rotateVec(expected, 0, shoulder, f * 4, flexed, 0);
    if (squareTo(expected, lines, i) < 0.2) continue;
    // The elbow stands out on the side from which the forearm comes.
    if (dotVec(expected, 0, directions, i) >= 0.5) against[f] = 1;
  }
}
