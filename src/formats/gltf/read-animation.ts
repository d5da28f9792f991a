import { type Note, RigproofError } from '../../errors.ts';
import type { Clip } from '../../skeleton/clip.ts';
import { createWorldPose, forwardKinematics } from '../../skeleton/skeleton.ts';
import type { Character } from './character.ts';
import { sampleFrames, sampleJoints } from './sample-animation.ts';
import { type AnimationTracks, createPoseSampler, extentOf, readTracks } from './tracks.ts';

/** An animation of a glTF file as a clip. */
export interface AnimationReading {
  clip: Clip;
  /** Time in the file of the clip's first frame: the earliest key, seconds. */
  startTime: number;
  notes: Note[];
}

/** An offset that stays within this share of the skeleton's size of its rest offset does not move. */
const STILL_SHARE = 5e-5;
/** Joint rotations in one clip; a faulty key time or rate could otherwise ask for any amount of memory. */
const MAX_JOINT_FRAMES = 50_000_000;

/**
 * Reads an animation as a clip on the character's skeleton, sampled from its earliest key on at `fps` frames a second; the
 * last frame is the one nearest to the last key. LINEAR (rotations on the shorter arc), STEP and CUBICSPLINE as in
 * glTF 2.0, appendix C. Joints without keys hold node rest, whatever reference pose was chosen.
 *
 * A rigid skeleton has no scales. Where scales are keyed, joints are put where the file's own scaled nodes are, frame by
 * frame, so that world positions are those that are seen; what is lost is the thickness of the mesh, and a note says so.
 *
 * @param keys  those of the animation, where they have been read before
 * @throws RigproofError `GLTF_NO_ANIMATION`, `GLTF_FPS`, `GLTF_NO_JOINT_KEYS`, `GLTF_COUNT`, and those of `readTracks`
 */
export function readAnimation(
  character: Character,
  index: number,
  fps: number,
  keys?: AnimationTracks,
): AnimationReading {
  const { container, skeleton, binding, nodes, animations } = character;
  const file = container.name;
  if (animations[index] === undefined) {
    throw new RigproofError(
      'GLTF_NO_ANIMATION',
      animations.length === 0
        ? 'The file has no animations.'
        : `There is no animation ${index}; the file has ${animations.length} (0 to ${animations.length - 1}).`,
      { file, pointer: '/animations' },
      { hint: 'Choose one of the animations of the file, or use a file that has some.' },
    );
  }
  if (!(fps > 0) || !Number.isFinite(fps)) {
    throw new RigproofError(
      'GLTF_FPS',
      `The frame rate is ${fps}; expected a number above 0.`,
      { file },
      {
        hint: 'Give a rate such as 30 or 60 frames a second.',
      },
    );
  }
  const pointer = `/animations/${index}`;
  const animation = keys ?? readTracks(container, index);
  const { start, end } = animation;
  if (!binding.nodes.some((node) => animation.tracks.has(node))) {
    throw new RigproofError(
      'GLTF_NO_JOINT_KEYS',
      'The animation has no keys for any joint of the skeleton.',
      { file, pointer },
      { hint: 'Choose another animation: this one moves something else.' },
    );
  }
  const { jointCount, parents } = skeleton;
  const frameCount = Math.round((end - start) * fps) + 1;
  if (frameCount * jointCount > MAX_JOINT_FRAMES) {
    throw new RigproofError(
      'GLTF_COUNT',
      `${(end - start).toFixed(1)} s at ${fps} frames a second are ${frameCount} frames, more than can be held.`,
      { file, pointer },
      { hint: 'Look for a stray key at a very late time, or ask for a lower rate.' },
    );
  }
  const times = new Float64Array(frameCount);
  for (let f = 0; f < frameCount; f++) times[f] = Math.min(end, start + f / fps);
  const tolerance = STILL_SHARE * sizeOf(character);
  const sampler = createPoseSampler(nodes, binding, parents, animation);
  const { rotations, translationJoints, translations } = sampler.scales
    ? sampleFrames(sampler, skeleton, times, tolerance)
    : sampleJoints(character, animation, times, tolerance);
  const { name } = animations[index];
  const clip = { name, frameCount, frameDuration: 1 / fps, jointCount, rotations, translationJoints, translations };
  const notes: Note[] = [];
  if (sampler.scales) {
    notes.push({
      code: 'GLTF_SCALE_KEYS',
      severity: 'warning',
      message:
        'The animation scales joints. Their positions follow, frame by frame; swelling and shrinking of the mesh is lost.',
      place: { file, pointer },
    });
  }
  return { clip, startTime: start, notes };
}

function sizeOf({ skeleton }: Character): number {
  const world = createWorldPose(skeleton.jointCount);
  forwardKinematics(skeleton.parents, skeleton.restRotations, skeleton.restTranslations, world);
  return extentOf(world.positions, 3) || 1;
}
