import { sourceFigure } from '../../convert/convert.ts';
import { openFile } from '../../convert/node.ts';
import { type Performer, performerFromBvh, performerFromCharacter } from '../../convert/performer.ts';
import { type Note, type Place, RigproofError } from '../../errors.ts';
import { inferFrameRate } from '../../formats/bvh/index.ts';
import type { Body } from '../../pairing/body.ts';
import { drawMoments } from '../../proof/sheet-figures.ts';
import { buildTrack } from '../../proof/track.ts';
import type { ClipEntry } from '../job.ts';
import { trackBody } from './body-track.ts';
import { type Defect, findDefects } from './defects.ts';
import { type Sketch, sketchOf } from './duplicates.ts';
import { type MotionKind, readMotionKind } from './motion-kind.ts';

export interface TriageTask {
  clip: ClipEntry;
  body: Body | null;
  sampleFps: number;
}

interface TriageNames {
  clip: string;
  hash: string;
  group: string;
}

/** What a clip is, and what is wrong with it. Plain data. */
export interface TriagedClip extends TriageNames {
  status: 'read';
  frames: number;
  /** The rate that the file means, and whether it says so exactly. */
  fps: number;
  exactRate: boolean;
  seconds: number;
  joints: number;
  /** Length of a file unit in metres, and which way is up in the motion. */
  metresPerUnit: number;
  up: string;
  /** Standing height, metres. */
  height: number;
  /** Opening frames that are a rest pose or a blend from it. */
  restFrames: number;
  kind: MotionKind;
  defects: Defect[];
  /** Size over threshold of the worst defect; 0 without one. */
  worst: number;
  warnings: Note[];
}

export interface UnreadClip extends TriageNames {
  status: 'unreadable';
  error: { code: string; message: string; place: Place; hint: string | null };
}

export type TriageEntry = TriagedClip | UnreadClip;

export interface TriageResult {
  entry: TriageEntry;
  sketch: Sketch | null;
  /** SVG of the worst moment, or of the middle. */
  picture: string | null;
}

/** Looks a clip over. Whatever is wrong with the file becomes part of the result. */
export async function triageClip({ clip, body, sampleFps }: TriageTask): Promise<TriageResult> {
  const names = { clip: clip.name, hash: clip.hash, group: clip.group };
  try {
    return triagePerformer(await openPerformer(clip, body, sampleFps), names);
  } catch (error) {
    const known =
      error instanceof RigproofError
        ? error
        : new RigproofError(
            'TRIAGE_FAULT',
            `A fault in rigproof: ${error instanceof Error ? error.message : String(error)}`,
            {},
            { hint: 'Run this clip alone with --debug and report what it shows.' },
          );
    const { code, message, place, hint } = known;
    return {
      entry: { ...names, status: 'unreadable', error: { code, message, place, hint: hint ?? null } },
      sketch: null,
      picture: null,
    };
  }
}

async function openPerformer({ path, animation }: ClipEntry, body: Body | null, sampleFps: number): Promise<Performer> {
  const options = { body: body ?? undefined };
  const opened = await openFile(path);
  if (opened.kind === 'clip') return performerFromBvh(path, opened.file.takes[0]!, opened.file.notes, options);
  return performerFromCharacter(opened.character, animation, sampleFps, options);
}

function triagePerformer(performer: Performer, names: TriageNames): TriageResult {
  const { clip, actor, body, motion, droppedFrames, notes } = performer;
  const track = trackBody(performer);
  const defects = findDefects(performer, track);
  const { fps, exact } = inferFrameRate(clip.frameDuration);
  const worst = defects.reduce((most, { size, threshold }) => Math.max(most, size / threshold), 0);
  const entry: TriagedClip = {
    ...names,
    status: 'read',
    frames: clip.frameCount + droppedFrames,
    fps,
    exactRate: exact,
    seconds: (clip.frameCount + droppedFrames - 1) * clip.frameDuration,
    joints: actor.skeleton.jointCount,
    metresPerUnit: body.frame.metresPerUnit,
    up: axisName(motion.up),
    height: body.frame.height * body.frame.metresPerUnit,
    restFrames: droppedFrames,
    kind: readMotionKind(track),
    defects,
    worst,
    warnings: notes,
  };
  return { entry, sketch: sketchOf(track), picture: drawWorst(performer, defects) };
}

function drawWorst(performer: Performer, defects: readonly Defect[]): string {
  const figure = sourceFigure(performer);
  const { droppedFrames } = performer;
  const frameCount = performer.clip.frameCount + droppedFrames;
  const worst = defects.toSorted((a, b) => b.size / b.threshold - a.size / a.threshold)[0];
  const [from, to] = worst?.frames ?? [droppedFrames, frameCount - 1];
  const frame = Math.min(Math.floor((from + to) / 2), frameCount - 1);
  const title = worst ? worst.kind : 'The middle of the clip';
  // Counted as in the file: the frames that were dropped show the first one that was kept.
  const track = buildTrack(figure, frame + 1, -droppedFrames, 1);
  return drawMoments(track, null, [{ frame, title, role: worst?.role ?? null, fails: worst !== undefined }]);
}

/** `+Y` for a direction along an axis. */
function axisName(direction: readonly number[]): string {
  const sizes = direction.map(Math.abs);
  const axis = sizes.indexOf(Math.max(...sizes));
  return `${direction[axis]! < 0 ? '-' : '+'}${'XYZ'[axis]}`;
}
