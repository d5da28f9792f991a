/**
 * A motion over a slope. Feet are planted on a level floor: with level soles, at heights straight up. So a performer on a ramp
 * is turned, with all that it does, until the ramp is level, and what comes of it is turned back: its soles lie on the slope as
 * the performer's do, and all that is said of a floor holds square to the ramp.
 *
 * Tried before: each stance at the height of the slope under it, with level soles, as on a stair. On a ramp of 10 degrees
 * soles stood up to 10 degrees off it, and heels and toes up to 3.7 cm over and under it (figure8_walk onto man_casual).
 */
import { alignFigure } from '../alignment/alignment.ts';
import { measureStandingFeet } from '../alignment/soles.ts';
import type { Floor } from '../contact/floor.ts';
import type { Plant } from '../contact/plants.ts';
import type { Note } from '../errors.ts';
import { mulQuat, rotateVecInverse, rotationBetween } from '../math/quat.ts';
import { addVec, dotVec, normalizeVec } from '../math/vec.ts';
import { sidedRole } from '../pairing/roles.ts';
import { type Clip, framePose, restLocalPose } from '../skeleton/clip.ts';
import { inversePlacement, moveClip, type Placement, placementOf, placePoint } from '../skeleton/normalise.ts';
import { oncePer } from '../skeleton/once-per.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { createWorldPose, type Skeleton } from '../skeleton/skeleton.ts';
import { contactsOf } from './measured.ts';
import type { Performer } from './performer.ts';

/** A floor that slopes by less (metres a metre, 3 degrees) is a level one in a capture room that is not quite. */
const SLOPE = 0.05;
/** How the soles lie is read with the slope that was found before, and the slope with the soles: twice is enough. */
const ROUNDS = 2;

/** Soles that agree so much better (rad, both feet) on one ground than on the other tell which it is. */
const TELLING = Math.PI / 90;
/** What rises more is taken for a stair: ramps for wheels rise by 1:12, stairs by 1:2 (common practice). */
const RAMP_MOST = 0.2;

const UP = Float64Array.of(0, 1, 0);
const FORWARD = Float64Array.of(0, 0, 1);

export interface LevelGround {
  /** The performer with its motion turned so that the ramp is the plane y = 0. */
  performer: Performer;
  /** World rotation that was made, xyzw, and the height of the ramp above the origin after it, metres. */
  rotation: Float64Array;
  height: number;
}

/** The performer on level ground, where its own ground slopes; null where it does not. Measured once a performer. */
export const levelGroundOf = oncePer((performer: Performer): LevelGround | null => {
  const { floor } = contactsOf(performer).ground;
  if (Math.hypot(floor.slopeX, floor.slopeZ) <= SLOPE || !solesFollow(performer, floor)) return null;
  const rotation = Float64Array.of(0, 0, 0, 1);
  let turned = performer;
  for (let round = 0; round < ROUNDS; round++) {
    const { slopeX, slopeZ } = contactsOf(turned).ground.floor;
    const more = new Float64Array(4);
    rotationBetween(more, 0, Float64Array.of(-slopeX, 1, -slopeZ), 0, UP, 0);
    mulQuat(rotation, 0, more, 0, rotation, 0);
    turned = placed(performer, placementBy(rotation, 0));
  }
  const { rests } = contactsOf(turned).ground.floor;
  const height = rests.reduce((sum, rest) => sum + rest / rests.length, 0);
  return { performer: placed(performer, placementBy(rotation, height)), rotation, height };
});

/**
 * Whether soles lie along a slope: on stairs with long treads the places of the feet slope too, and the soles are level. A foot
 * that heads here and there tells it: its sole is always the same side of it. On a straight way only the slope does.
 */
function solesFollow(performer: Performer, { slopeX, slopeZ }: Floor): boolean {
  const { roles } = performer.actor.body;
  const square = Float64Array.of(-slopeX, 1, -slopeZ);
  normalizeVec(square, 0);
  let more = 0;
  for (const side of SIDES) {
    const foot = roles[sidedRole(side, 'Foot')];
    if (foot === undefined) continue;
    const stances = flatFrames(performer, side).map((f) => rotationsAt(performer, f));
    const spread = (up: Float64Array) => spreadOf(stances.map((rotations) => inFoot(rotations, foot, up)));
    more += spread(UP) - spread(square);
  }
  return Math.abs(more) > TELLING ? more > 0 : Math.hypot(slopeX, slopeZ) < RAMP_MOST;
}

/** The middle of each time in which heel and ball of a foot stand together. */
function flatFrames(performer: Performer, side: Side): number[] {
  const { heel, ball } = contactsOf(performer)[side];
  const { frameDuration, frameCount } = performer.clip;
  return heel.flatMap((one) =>
    ball.flatMap((other): number[] => {
      const [start, end] = [Math.max(one.start, other.start), Math.min(one.end, other.end)];
      const frame = Math.round((start + end) / 2 / frameDuration);
      return start < end && frame < frameCount ? [frame] : [];
    }),
  );
}

function rotationsAt({ actor: { skeleton }, clip }: Performer, f: number): Float64Array {
  const pose = createWorldPose(skeleton.jointCount);
  framePose(skeleton, clip, f, restLocalPose(skeleton), pose);
  return pose.rotations;
}

function inFoot(rotations: Float64Array, foot: number, direction: Float64Array): Float64Array {
  const out = new Float64Array(3);
  rotateVecInverse(out, 0, rotations, foot * 4, direction, 0);
  return out;
}

/** Mean angle from the mean direction, radians. */
function spreadOf(directions: readonly Float64Array[]): number {
  const mean = new Float64Array(3);
  for (const direction of directions) addVec(mean, 0, mean, 0, direction, 0);
  normalizeVec(mean, 0);
  return directions.reduce((sum, direction) => sum + angleBetween(direction, mean), 0) / Math.max(1, directions.length);
}

function angleBetween(a: Float64Array, b: Float64Array): number {
  return Math.acos(Math.max(-1, Math.min(1, dotVec(a, 0, b, 0))));
}

/** Says that the ground slopes, and by how much. */
export function rampNote({ rotation }: LevelGround): Note {
  const degrees = (2 * Math.acos(Math.min(1, Math.abs(rotation[3]!))) * 180) / Math.PI;
  return {
    code: 'CONTACT_RAMP',
    severity: 'info',
    message: `The ground of the clip slopes by ${degrees.toFixed(1)} degrees; feet are planted along it.`,
  };
}

/**
 * A motion that was made on level ground, back on the slope.
 * @param scale  of the figure that has it, over the performer
 */
export function backOnSlope({ rotation, height }: LevelGround, clip: Clip, skeleton: Skeleton, scale: number): Clip {
  return moveClip(clip, skeleton, inversePlacement(placementBy(rotation, height * scale)));
}

/** The same for the spots on which feet stand. */
export function plantsOnSlope({ rotation, height }: LevelGround, plants: readonly Plant[], scale: number): Plant[] {
  const back = inversePlacement(placementBy(rotation, height * scale));
  return plants.map((plant) => {
    const spot = Float64Array.from(plant.position);
    placePoint(spot, 0, Float64Array.from(back.rotation), back);
    return { ...plant, position: [spot[0]!, spot[1]!, spot[2]!] };
  });
}

function placementBy(rotation: Float64Array, floor: number): Placement {
  const up = new Float64Array(3);
  const facing = new Float64Array(3);
  rotateVecInverse(up, 0, rotation, 0, UP, 0);
  rotateVecInverse(facing, 0, rotation, 0, FORWARD, 0);
  return placementOf(up, facing, 1, floor);
}

/** The performer with its motion somewhere else, and its feet measured as they stand there. */
function placed(performer: Performer, placement: Placement): Performer {
  const { skeleton, body, alignment } = performer.actor;
  const clip = moveClip(performer.clip, skeleton, placement);
  const feet = measureStandingFeet(skeleton, clip, body.roles);
  const [left, right] = alignment.ankleHeights as unknown as [number, number];
  const heights = [feet.ankleHeight.left ?? left, feet.ankleHeight.right ?? right] as const;
  return { ...performer, clip, actor: { skeleton, body, alignment: alignFigure(skeleton, body, heights, feet) } };
}
