import type { Note } from '../errors.ts';
import type { Role } from '../pairing/roles.ts';
import type { FootContacts } from '../skeleton/contact-interval.ts';
import { oncePer } from '../skeleton/once-per.ts';
import type { Side } from '../skeleton/side.ts';
import { checkFigure, jointName } from './build.ts';
import { footPointsOf } from './foot-points.ts';
import type { FootPoints, Json, Measure, Proof, ProofFigure, ProofOptions, Where } from './measure.ts';
import { createProofMemory, knownTrack, type ProofMemory, targetTrack } from './memory.ts';
import { lowered, rampNote, rampUnder, standingHeight, turnedLevel } from './ramp.ts';
import { type FootSpans, toSpans } from './spans.ts';
import { findStance } from './stance.ts';
import { MEASURE_RULES, type MeasureId, type MeasureRule } from './thresholds.ts';
import type { Track } from './track.ts';
import { unpairedLimbs, unpairedNote } from './unpaired.ts';

/** All that the measures look at. */
export interface Evidence {
  target: Track;
  /** On the target's time line, frame by frame; null without a source. */
  source: Track | null;
  /** Frames that both have. */
  sharedFrames: number;
  feet: Record<Side, FootPoints | null>;
  sourceFeet: Record<Side, FootPoints | null>;
  spans: FootSpans;
  contactsFrom: Proof['contacts']['from'];
  groundVelocity: readonly [number, number, number];
  options: ProofOptions;
  notes: Note[];
}

const NO_FEET = { left: null, right: null };

/** @throws RigproofError PROOF_CLIP_MISMATCH, PROOF_ROLE_JOINT */
export function gatherEvidence(
  target: ProofFigure,
  source: ProofFigure | undefined,
  options: ProofOptions,
  memory: ProofMemory = createProofMemory(),
): Evidence {
  const evidence = gatherOnFloor(target, source, options, memory);
  // Ground that moves, or was taken away, tells no slope.
  if (options.inPlace || evidence.groundVelocity.some((v) => v !== 0)) return evidence;
  const spans = evidence.contactsFrom === 'given' ? evidence.spans : null;
  const up = rampUnder(evidence.target, evidence.source, spans);
  if (!up) return evidence;
  const turned = (figure: ProofFigure) => ({ ...figure, clip: turnedLevel(figure.clip, figure.skeleton, up) });
  const own = turned(target);
  const its = source && turned(source);
  // The feet are measured level first: they tell where the ground is.
  const first = gatherOnFloor(own, its, options, memory);
  const onFloor = (figure: ProofFigure, track: Track, feet: Evidence['feet']): ProofFigure => ({
    ...figure,
    clip: lowered(figure.clip, figure.skeleton, standingHeight(track, feet, first.spans)),
  });
  const level = gatherOnFloor(
    onFloor(own, first.target, first.feet),
    its && first.source ? onFloor(its, first.source, first.sourceFeet) : its,
    options,
    memory,
  );
  level.notes.push(rampNote(up));
  return level;
}

function gatherOnFloor(
  target: ProofFigure,
  source: ProofFigure | undefined,
  options: ProofOptions,
  memory: ProofMemory,
): Evidence {
  checkFigure(target, 'target');
  if (source) checkFigure(source, 'source');
  const notes: Note[] = [];
  const ownTrack = targetTrack(memory, target);
  const dt = target.clip.frameDuration;
  const offset = options.frameOffset ?? 0;
  let sourceTrack: Track | null = null;
  let sharedFrames = 0;
  if (source && source.clip.frameCount > 0 && target.clip.frameCount > 0) {
    const step = source.clip.frameDuration > 0 ? dt / source.clip.frameDuration : 1;
    sharedFrames = Math.min(
      target.clip.frameCount,
      Math.max(0, Math.floor((source.clip.frameCount - 1 - offset) / (step || 1) + 1e-3) + 1),
    );
    if (sharedFrames > 0) sourceTrack = knownTrack(memory, source, sharedFrames, offset, step);
    if (sharedFrames < target.clip.frameCount)
      notes.push({
        code: 'PROOF_SOURCE_SHORTER',
        severity: 'warning',
        message: `The source covers ${sharedFrames} of ${target.clip.frameCount} frames; only those are compared.`,
      });
  }
  if (source) for (const role of unpairedLimbs(target, source)) notes.push(unpairedNote(target, role));
  const feet = target.clip.frameCount > 0 ? footPoints(ownTrack) : NO_FEET;
  const sourceFeet = sourceTrack ? footPoints(sourceTrack) : NO_FEET;
  const groundVelocity = options.groundVelocity ?? ([0, 0, 0] as const);

  let contacts: FootContacts | null = null;
  let contactsFrom: Proof['contacts']['from'] = 'none';
  let shift = 0;
  if (options.contacts) {
    contacts = options.contacts;
    contactsFrom = 'given';
    shift = source ? -offset * source.clip.frameDuration : 0;
  } else if (sourceTrack && (sourceFeet.left || sourceFeet.right)) {
    const scale = ownTrack.legLength > 0 ? sourceTrack.legLength / ownTrack.legLength : 1;
    const [x, y, z] = groundVelocity;
    contacts =
      x === 0 && y === 0 && z === 0
        ? stanceOnGround(sourceTrack)
        : findStance(sourceTrack, sourceFeet, [x * scale, y * scale, z * scale]);
    contactsFrom = 'found on the source';
  } else if (feet.left || feet.right) {
    contacts = findStance(ownTrack, feet, groundVelocity);
    contactsFrom = 'found on the target';
  }
  return {
    target: ownTrack,
    source: sourceTrack,
    sharedFrames,
    feet,
    sourceFeet,
    spans: toSpans(contacts, dt, shift, target.clip.frameCount),
    contactsFrom,
    groundVelocity,
    options,
    notes,
  };
}

const stanceOnGround = oncePer((track: Track) => findStance(track, footPoints(track), [0, 0, 0]));

function footPoints(track: Track): Record<Side, FootPoints | null> {
  return { left: footPointsOf(track, 'left'), right: footPointsOf(track, 'right') };
}

const MOST_PLACES = 12;

/** A measure that was taken. `where` may hold more than is kept; only what is above the threshold stays. */
export function measured(
  evidence: Evidence,
  id: MeasureId,
  value: number,
  where: Where[],
  details: { [key: string]: Json } = {},
  remedy?: string,
): Measure {
  const rule: MeasureRule = MEASURE_RULES[id];
  const threshold = evidence.options.thresholds?.[id] ?? rule.threshold;
  const fails = value > threshold;
  const places = where.filter((place) => place.value > (rule.threshold === 0 ? 0 : threshold));
  places.sort((a, b) => b.value - a.value);
  return {
    id,
    meaning: rule.meaning,
    value,
    unit: rule.unit,
    threshold,
    reason: rule.reason,
    verdict: fails ? 'fail' : 'pass',
    notMeasured: null,
    where: fails ? places.slice(0, MOST_PLACES) : [],
    remedy: fails ? (remedy ?? rule.remedy) : null,
    details: places.length > MOST_PLACES ? { ...details, placesLeftOut: places.length - MOST_PLACES } : details,
  };
}

/** A measure that could not be taken, and why. */
export function notMeasured(evidence: Evidence, id: MeasureId, why: string): Measure {
  const rule: MeasureRule = MEASURE_RULES[id];
  return {
    id,
    meaning: rule.meaning,
    value: null,
    unit: rule.unit,
    threshold: evidence.options.thresholds?.[id] ?? rule.threshold,
    reason: rule.reason,
    verdict: 'not measured',
    notMeasured: why,
    where: [],
    remedy: null,
    details: {},
  };
}

/** Runs of frames whose value is above `limit`, with the worst of each; runs nearer than `gap` frames are one. */
export function placesAbove(
  track: Track,
  role: Role,
  joint: number,
  values: Float64Array,
  limit: number,
  gap = 2,
): Where[] {
  const name = jointName(track.figure, joint);
  const places: Where[] = [];
  for (let f = nextAbove(values, 0, limit); f < values.length; ) {
    let worstFrame = f;
    let last = f;
    for (let i = f + 1; i < values.length && i - last <= gap; i++) {
      if (!(values[i]! > limit)) continue;
      last = i;
      if (values[i]! > values[worstFrame]!) worstFrame = i;
    }
    places.push({ role, joint: name, frames: [f, last], worstFrame, value: values[worstFrame]! });
    f = nextAbove(values, last + 1, limit);
  }
  return places;
}

/** The first place from `from` on whose value is above the limit; past the end where there is none. */
function nextAbove(values: Float64Array, from: number, limit: number): number {
  let f = from;
  while (f < values.length && !(values[f]! > limit)) f++;
  return f;
}
