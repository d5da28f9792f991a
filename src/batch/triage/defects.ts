import { type DetectedContacts, detectContacts } from '../../contact/detect.ts';
import { feetOf } from '../../convert/measured.ts';
import type { Performer } from '../../convert/performer.ts';
import { ROLES, type Role } from '../../pairing/roles.ts';
import { SIDES } from '../../skeleton/side.ts';
import { type BodyTrack, TRACKED_ROLES } from './body-track.ts';

export const DEFECT_KINDS = ['foot slide', 'floor drift', 'spike', 'frozen joint', 'swapped sides', 'gap'] as const;
export type DefectKind = (typeof DEFECT_KINDS)[number];

/** A fault of the capture itself: it is there before any retargeting, and would be blamed on the rig. */
export interface Defect {
  kind: DefectKind;
  /** In `unit`; larger is worse. */
  size: number;
  unit: 'leg length' | 's' | 'm';
  /** The size from which it counts. */
  threshold: number;
  /** Frames of the clip as it is in the file, first and last, both included. */
  frames: [number, number];
  role: Role | null;
  joint: string | null;
}

/** From where a defect counts. Common practice, no published source, unless said otherwise. */
export const DEFECT_THRESHOLDS = {
  /** Leg lengths that a point of the foot glides within one contact: 8 cm on an adult. Feet that turn glide by half of it. */
  'foot slide': 0.1,
  /** Leg lengths that the height of standing feet moves from the beginning of the clip to its end. */
  'floor drift': 0.03,
  /** Metres that a joint jumps in one frame, as the reading of the motion tells. */
  spike: 0.05,
  /** Seconds that a limb's rotation is the very same while the body moves on. */
  'frozen joint': 0.5,
  /** Leg lengths that the feet are apart when they change places from one frame to the next. */
  'swapped sides': 0.15,
  /** Seconds in which no joint moves at all: a capture is never that still, so it was not captured. */
  gap: 0.1,
} as const satisfies Record<DefectKind, number>;

/** Most defects of one kind that are kept, worst first. */
const MOST_OF_A_KIND = 5;

/** All defects of a clip, by kind and size. */
export function findDefects(performer: Performer, track: BodyTrack): Defect[] {
  const gaps = findGaps(performer);
  const all = [
    ...onTheFloor(performer, track),
    ...findSpikes(performer),
    ...findFrozen(performer, gaps),
    ...findSwaps(performer, track),
    ...gaps,
  ];
  return DEFECT_KINDS.flatMap((kind) =>
    all
      .filter((defect) => defect.kind === kind && defect.size >= defect.threshold)
      .sort((a, b) => b.size - a.size)
      .slice(0, MOST_OF_A_KIND),
  );
}

function defect(
  kind: DefectKind,
  size: number,
  unit: Defect['unit'],
  { droppedFrames }: Performer,
  frames: readonly [number, number],
  role: Role | null = null,
  joint: string | null = null,
): Defect {
  const [from, to] = frames;
  return {
    kind,
    size,
    unit,
    threshold: DEFECT_THRESHOLDS[kind],
    frames: [from + droppedFrames, to + droppedFrames],
    role,
    joint,
  };
}

/** How far feet glide while they are on the ground, and how the ground under them rises or sinks over the clip. */
function onTheFloor(performer: Performer, { legLength, fps, frameCount }: BodyTrack): Defect[] {
  const { actor } = performer;
  const { roles } = actor.body;
  if (roles.leftLowerLeg === undefined || roles.rightLowerLeg === undefined || frameCount < 4) return [];
  const points = feetOf(performer).points;
  const contacts: DetectedContacts = detectContacts({ ...points, fps, scale: legLength });
  const [beltX, , beltZ] = contacts.ground.velocity;
  const found: Defect[] = [];
  const heights: { time: number; height: number; weight: number }[] = [];
  for (const side of SIDES) {
    for (const point of ['heel', 'ball'] as const) {
      const path = points[side][point];
      for (const { start, end } of contacts[side][point]) {
        const first = Math.max(0, Math.ceil(start * fps - 1e-6));
        const last = Math.min(frameCount - 1, Math.floor(end * fps + 1e-6));
        if (last - first < 2) continue;
        let [minX, maxX, minZ, maxZ, height] = [Infinity, -Infinity, Infinity, -Infinity, 0];
        for (let f = first; f <= last; f++) {
          const x = path[f * 3]! - (beltX * (f - first)) / fps;
          const z = path[f * 3 + 2]! - (beltZ * (f - first)) / fps;
          minX = Math.min(minX, x);
          maxX = Math.max(maxX, x);
          minZ = Math.min(minZ, z);
          maxZ = Math.max(maxZ, z);
          height += path[f * 3 + 1]! / (last - first + 1);
        }
        const role: Role = side === 'left' ? 'leftFoot' : 'rightFoot';
        const glide = Math.hypot(maxX - minX, maxZ - minZ) / legLength;
        found.push(
          defect('foot slide', glide, 'leg length', performer, [first, last], role, jointName(performer, role)),
        );
        if (point === 'ball') heights.push({ time: (start + end) / 2, height, weight: last - first + 1 });
      }
    }
  }
  const drift = Math.abs(slopeOf(heights)) * (frameCount / fps);
  // A line through a few points is no drift of the floor, nor is one that the points do not lie on.
  if (heights.length >= 8)
    found.push(defect('floor drift', drift / legLength, 'leg length', performer, [0, frameCount - 1]));
  return found;
}

/** Slope of the weighted least-squares line; 0 where the points scatter more than the line rises. */
function slopeOf(points: readonly { time: number; height: number; weight: number }[]): number {
  let [sum, time, height] = [0, 0, 0];
  for (const p of points) {
    sum += p.weight;
    time += p.weight * p.time;
    height += p.weight * p.height;
  }
  if (sum === 0) return 0;
  time /= sum;
  height /= sum;
  let [tt, th, hh] = [0, 0, 0];
  for (const p of points) {
    tt += p.weight * (p.time - time) ** 2;
    th += p.weight * (p.time - time) * (p.height - height);
    hh += p.weight * (p.height - height) ** 2;
  }
  if (tt === 0 || hh === 0) return 0;
  // Squared correlation: the share of the scatter that the line explains.
  return (th * th) / (tt * hh) < 0.3 ? 0 : th / tt;
}

function findSpikes(performer: Performer): Defect[] {
  const { motion, body, droppedFrames } = performer;
  return motion.jumps.map(({ from, to, distance }) =>
    // These are frames of the file already.
    defect('spike', distance * body.frame.metresPerUnit, 'm', performer, [from - droppedFrames, to - droppedFrames]),
  );
}

/** Stretches in which nothing moves at all. */
function findGaps(performer: Performer): Defect[] {
  const { clip } = performer;
  const { rotations, translations, frameCount, frameDuration } = clip;
  const row = rotations.length / frameCount;
  const moving = translations.length / frameCount;
  const isSame = (f: number): boolean => {
    for (let i = 0; i < row; i++) if (rotations[f * row + i] !== rotations[(f - 1) * row + i]) return false;
    for (let i = 0; i < moving; i++)
      if (translations[f * moving + i] !== translations[(f - 1) * moving + i]) return false;
    return true;
  };
  return runsOf(frameCount, isSame).map(([from, to]) =>
    defect('gap', (to - from) * frameDuration, 's', performer, [from, to]),
  );
}

/** Limbs, trunk and head: joints that are never still for long while the body moves. Hands and toes may be. */
const LIVELY: readonly Role[] = ROLES.filter((role) =>
  /^(hips|spine|chest|neck|head)$|(Upper|Lower)(Arm|Leg)$/.test(role),
);

/** Joints whose rotation stays the very same while others move, though it moves elsewhere in the clip. */
function findFrozen(performer: Performer, gaps: readonly Defect[]): Defect[] {
  const { clip, actor, droppedFrames } = performer;
  const { rotations, jointCount, frameCount, frameDuration } = clip;
  const inGap = new Uint8Array(frameCount);
  for (const { frames } of gaps) inGap.fill(1, Math.max(0, frames[0] - droppedFrames), frames[1] - droppedFrames + 1);
  const found: Defect[] = [];
  for (const role of LIVELY) {
    const joint = actor.body.roles[role];
    if (joint === undefined) continue;
    const isSame = (f: number): boolean => {
      const at = (f * jointCount + joint) * 4;
      for (let k = 0; k < 4; k++) if (rotations[at + k] !== rotations[at - jointCount * 4 + k]) return false;
      return true;
    };
    const runs = runsOf(frameCount, isSame);
    const still = runs.reduce((sum, [from, to]) => sum + to - from, 0);
    // A joint that hardly ever moves was not captured; that is a matter of the skeleton, not of a moment.
    if (still > 0.9 * (frameCount - 1)) continue;
    for (const [from, to] of runs) {
      let frames = 0;
      for (let f = from + 1; f <= to; f++) if (!inGap[f]) frames++;
      found.push(
        defect('frozen joint', frames * frameDuration, 's', performer, [from, to], role, jointName(performer, role)),
      );
    }
  }
  return found;
}

/** Frames between which left and right change places: the feet go on if each goes on where the other was. */
function findSwaps(performer: Performer, { positions, frameCount, legLength }: BodyTrack): Defect[] {
  const stride = TRACKED_ROLES.length * 3;
  const [left, right] = [TRACKED_ROLES.indexOf('leftFoot'), TRACKED_ROLES.indexOf('rightFoot')];
  const distance = (f: number, a: number, g: number, b: number): number => {
    const i = f * stride + a * 3;
    const j = g * stride + b * 3;
    return Math.hypot(
      positions[i]! - positions[j]!,
      positions[i + 1]! - positions[j + 1]!,
      positions[i + 2]! - positions[j + 2]!,
    );
  };
  const found: Defect[] = [];
  for (let f = 1; f < frameCount; f++) {
    const apart = distance(f, left, f, right) / legLength;
    const straight = distance(f, left, f - 1, left) + distance(f, right, f - 1, right);
    const crossed = distance(f, left, f - 1, right) + distance(f, right, f - 1, left);
    if (crossed * 4 < straight)
      found.push(
        defect(
          'swapped sides',
          apart,
          'leg length',
          performer,
          [f - 1, f],
          'leftFoot',
          jointName(performer, 'leftFoot'),
        ),
      );
  }
  return found;
}

/** Runs of frames of which each is the same as the one before: first and last, both included. */
function runsOf(frameCount: number, isSame: (f: number) => boolean): [number, number][] {
  const runs: [number, number][] = [];
  let from = -1;
  for (let f = 1; f <= frameCount; f++) {
    const same = f < frameCount && isSame(f);
    if (same && from < 0) from = f - 1;
    if (!same && from >= 0) {
      runs.push([from, f - 1]);
      from = -1;
    }
  }
  return runs;
}

function jointName({ actor }: Performer, role: Role): string | null {
  const joint = actor.body.roles[role];
  return joint === undefined ? null : actor.skeleton.names[joint]!;
}
