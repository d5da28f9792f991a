import { alignFigure } from '../alignment/alignment.ts';
import { standInFrame, withRestFrame } from '../alignment/reference-pose.ts';
import { measureStandingFeet, restAnkleHeights } from '../alignment/soles.ts';
import { type Note, RigproofError } from '../errors.ts';
import type { BvhTake } from '../formats/bvh/index.ts';
import type { Character } from '../formats/gltf/character.ts';
import { readAnimation } from '../formats/gltf/read-animation.ts';
import type { Body } from '../pairing/body.ts';
import { type MotionFrame, readMotionFrame } from '../pairing/motion-frame.ts';
import { type BodyConstraints, readBody } from '../pairing/read-body.ts';
import type { Actor } from '../retarget/actor.ts';
import type { Clip } from '../skeleton/clip.ts';
import { placeClip, placementOf, placeSkeleton } from '../skeleton/normalise.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';
import { sliceClip } from './slice-clip.ts';

/** The figure that gives the motion, and its clip, both in world space. */
export interface Performer {
  name: string;
  actor: Actor;
  /** World space, floor at y = 0, opening rest frames dropped. */
  clip: Clip;
  /** What was read from the file: the figure in file space, and how its motion stands there. */
  body: Body;
  motion: MotionFrame;
  /** Frames dropped at the start because they are a rest pose or a blend from it. */
  droppedFrames: number;
  notes: Note[];
}

export interface PerformerOptions extends BodyConstraints {
  /** Keep the opening frames even where they are a rest pose. */
  keepRestFrames?: boolean;
  /** Takes a body that is not human too: chains that are paired by hand can give its motion. */
  anyBody?: boolean;
  /** The body as it was read before for this very skeleton, with other clips perhaps: it is not read again. */
  body?: Body;
}

/** A take of a BVH file as a performer. Throws PAIR_NOT_HUMANOID with the reason. */
export function performerFromBvh(
  name: string,
  take: BvhTake,
  notes: readonly Note[],
  options: PerformerOptions = {},
): Performer {
  return createPerformer(name, take.skeleton, take.clip, notes, options, false);
}

/**
 * An animation of a glTF file as a performer.
 * @param fps  frames a second at which its curves are sampled
 */
export function performerFromCharacter(
  character: Character,
  animation: number,
  fps: number,
  options: PerformerOptions = {},
): Performer {
  const { clip, notes } = readAnimation(character, animation, fps);
  return createPerformer(character.name, character.skeleton, clip, [...character.notes, ...notes], options, true);
}

function createPerformer(
  name: string,
  fileSkeleton: Skeleton,
  fileClip: Clip,
  notes: readonly Note[],
  options: PerformerOptions,
  declaredMetres: boolean,
): Performer {
  if (fileClip.frameCount === 0) {
    throw new RigproofError(
      'CLIP_NO_FRAMES',
      'The clip has no frames.',
      { file: name },
      { hint: 'Export the motion again.' },
    );
  }
  let skeleton = fileSkeleton;
  let body = options.body ?? readBody({ skeleton, clip: fileClip, declaredMetres, ...options });
  const extra: Note[] = [];
  const replaceRest = (frame: number): void => {
    skeleton = withRestFrame(skeleton, fileClip, frame);
    extra.push({
      code: 'ALIGN_REST_REPLACED',
      severity: 'warning',
      message: `The zero pose is no human posture; frame ${frame} of the clip stands in for it.`,
      place: { file: name, frame },
    });
  };
  // Who plays which role was settled before; how the body stands belongs to a frame of the clip that it was read with.
  const readAgain = (): Body =>
    readBody({ skeleton, clip: fileClip, declaredMetres, ...options, fixed: options.body?.roles ?? options.fixed });
  if (typeof options.body?.poseFrame === 'number') body = readAgain();
  if (typeof body.poseFrame === 'number') replaceRest(body.poseFrame);
  else {
    // Told by names or by hand alone: roles are known, but no pose was read as a body.
    const standIn = standInFrame(skeleton, fileClip, body.roles);
    if (standIn !== null) {
      replaceRest(standIn);
      body = readAgain();
    }
  }
  if (!options.anyBody) requireHumanoid(body, name);
  const motion = readMotionFrame(skeleton, fileClip, body);
  const { up, facing, metresPerUnit, floor } = body.frame;
  const placedSkeleton = placeSkeleton(skeleton, placementOf(up, facing, metresPerUnit, floor));
  // The motion may stand differently from the zero pose: its own up axis, its own floor.
  const turned = motionFacing(motion.up, up, facing);
  const whole = placeClip(fileClip, skeleton, placementOf(motion.up, turned, metresPerUnit, motion.floor));
  const first = options.keepRestFrames ? 0 : Math.min(motion.firstMotionFrame, fileClip.frameCount - 1);
  const clip = first > 0 ? sliceClip(whole, first, whole.frameCount) : whole;
  const feet = measureStandingFeet(placedSkeleton, clip, body.roles);
  const rest = restAnkleHeights(placedSkeleton, body.roles, []);
  const heights = [feet.ankleHeight.left ?? rest[0], feet.ankleHeight.right ?? rest[1]] as const;
  return {
    name,
    actor: { skeleton: placedSkeleton, body, alignment: alignFigure(placedSkeleton, body, heights, feet) },
    clip,
    body,
    motion,
    droppedFrames: first,
    notes: [...notes, ...extra, ...body.notes, ...motion.notes],
  };
}

/** The direction in the motion's space that plays the part of the zero pose's facing: the same one if it is level there. */
function motionFacing(
  motionUp: readonly number[],
  restUp: readonly number[],
  restFacing: readonly number[],
): readonly number[] {
  const level =
    Math.abs(motionUp[0]! * restFacing[0]! + motionUp[1]! * restFacing[1]! + motionUp[2]! * restFacing[2]!) < 0.5;
  if (level) return restFacing;
  // The axes were exchanged: what was up is now level, and faces the other way round the common left.
  return [-restUp[0]!, -restUp[1]!, -restUp[2]!];
}

/** Throws PAIR_NOT_HUMANOID with the reason when a body cannot take or give a human motion. */
export function requireHumanoid(body: Body, name: string): void {
  if (body.humanoid) return;
  throw new RigproofError(
    'PAIR_NOT_HUMANOID',
    `This is not read as a human body: ${body.reason}`,
    { file: name },
    {
      hint: 'If it is one, say which joint is which in a mapping file: {"format": "rigproof-mapping", "version": 1, "source" or "target": {"roles": {"hips": "NAME", …}}}.',
    },
  );
}
