/** A person in closed form who goes down onto knees or seat, and gets up again. */
import type { Actor } from '../../src/retarget/actor.ts';
import { compileRetarget } from '../../src/retarget/plan.ts';
import { createTargetClip } from '../../src/retarget/retargeter.ts';
import type { Clip } from '../../src/skeleton/clip.ts';
import { type FigureOptions, figure } from './figure.ts';
import { axisAngle } from './quat.ts';

/** 240 frames at 60 Hz: standing to 1 s, down from 1.5 s to 3 s, standing again from 3.5 s. */
export const FPS = 60;
export const FRAMES = 240;
/** Frames in which the performer is down and has been for a moment. */
export const REST = [95, 175] as const;

/** 0 standing, 1 down, smoothly. */
function down(f: number): number {
  const t = f / FPS;
  const u = t < 2 ? (t - 1) / 0.5 : (3.5 - t) / 0.5;
  const x = Math.max(0, Math.min(1, u));
  return x * x * (3 - 2 * x);
}

/** Degrees by which thigh, shin and foot turn about their own left axis when down, and the height of the hip joints then. */
export interface Posture {
  thigh: number;
  shin: number;
  foot: number;
  hip: number;
  /** Degrees that the body sways to and fro while it is down. */
  sway: number;
}

export const KNEELING: Posture = { thigh: -10, shin: 95, foot: 40, hip: 0.46, sway: 4 };
export const SITTING: Posture = { thigh: -88, shin: 5, foot: -5, hip: 0.09, sway: 6 };

/** A person in closed form who goes down and gets up again; legs of 0.82 m. */
export function goingDown(
  { thigh, shin, foot, hip, sway }: Posture,
  options: FigureOptions = {},
): { actor: Actor; clip: Clip } {
  const actor = figure(options);
  const { skeleton, body } = actor;
  const clip = createTargetClip(compileRetarget(actor, actor), 'down', FRAMES, 1 / FPS);
  const { roles } = body;
  const turn = (f: number, joint: number, degrees: number): void => {
    clip.rotations.set(axisAngle(1, 0, 0, (degrees * Math.PI) / 180), (f * skeleton.jointCount + joint) * 4);
  };
  for (let f = 0; f < FRAMES; f++) {
    const e = down(f);
    for (let j = 0; j < skeleton.jointCount; j++) turn(f, j, 0);
    const lean = e * sway * Math.sin(f / 9);
    turn(f, roles.hips!, lean);
    for (const side of ['left', 'right'] as const) {
      turn(f, roles[`${side}UpperLeg`]!, e * thigh - lean);
      turn(f, roles[`${side}LowerLeg`]!, e * shin);
      turn(f, roles[`${side}Foot`]!, e * foot);
    }
    const standing = skeleton.restTranslations[roles.hips! * 3 + 1]!;
    clip.translations.set([0, standing + e * (hip + 0.06 - standing), 0], f * 3);
  }
  return { actor, clip };
}

/** 20 frames standing, then 80 down: the way between, on which these feet pass through the floor, is left out. */
export function standingThenDown(posture: Posture, options: FigureOptions = {}): { actor: Actor; clip: Clip } {
  const { actor, clip } = goingDown(posture, options);
  const kept = Array.from({ length: 100 }, (_, f) => (f < 20 ? f : REST[0] - 20 + f));
  const rows = (values: Float32Array): Float32Array => {
    const row = values.length / FRAMES;
    return Float32Array.from(kept.flatMap((f) => [...values.subarray(f * row, (f + 1) * row)]));
  };
  const { rotations, translations } = clip;
  return {
    actor,
    clip: { ...clip, frameCount: kept.length, rotations: rows(rotations), translations: rows(translations) },
  };
}
