import { rotateVecInverse } from '../math/quat.ts';
import { addVec, distanceVec, dotVec, normalizeVec } from '../math/vec.ts';
import { type RoleMap, sidedRole } from '../pairing/roles.ts';
import { type Clip, framePose, restLocalPose } from '../skeleton/clip.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { createWorldPose, restWorldPose, type Skeleton } from '../skeleton/skeleton.ts';
import { type SkinMesh, skinVertices } from '../skeleton/skin.ts';
import { tipPoint } from './anatomy.ts';

/** Frames looked at when a clip is asked how its feet stand; more tell nothing new. */
const SAMPLES = 400;
/** A foot stands when its ankle moves slower than this: leg lengths a second. */
const STANDING_SPEED = 0.12;
/** … and its ankle is within this of its usual lowest height: share of leg length. */
const STANDING_HEIGHT = 0.03;
/** Frames that must agree before a clip is believed over the reference pose. */
const ENOUGH_FRAMES = 6;

const UP = Float64Array.of(0, 1, 0);

export interface StandingFeet {
  /** Upward normal of each sole in the foot joint's frame; absent where the clip does not show the foot standing. */
  soleUp: Partial<Record<Side, Float64Array>>;
  /** Height of the ankle over the floor while the foot stands flat, metres. */
  ankleHeight: Partial<Record<Side, number>>;
}

/**
 * What a clip says of the performer's feet: in the frames where a foot stands still at its lowest, its sole is level.
 * The zero poses of real files do not tell: legs are spread with the soles tilted along, or the feet hang.
 *
 * @param clip  world space, floor at y = 0
 */
export function measureStandingFeet(skeleton: Skeleton, clip: Clip, roles: RoleMap): StandingFeet {
  const result: StandingFeet = { soleUp: {}, ankleHeight: {} };
  const legs = restWorldPose(skeleton).positions;
  const step = Math.max(1, Math.floor(clip.frameCount / SAMPLES));
  const local = restLocalPose(skeleton);
  const pose = createWorldPose(skeleton.jointCount);
  const next = createWorldPose(skeleton.jointCount);
  for (const side of SIDES) {
    const foot = roles[sidedRole(side, 'Foot')];
    const knee = roles[sidedRole(side, 'LowerLeg')];
    const hip = roles[sidedRole(side, 'UpperLeg')];
    if (foot === undefined || knee === undefined || hip === undefined) continue;
    const leg = distanceVec(legs, hip * 3, legs, knee * 3) + distanceVec(legs, knee * 3, legs, foot * 3);
    const still: { height: number; up: Float64Array }[] = [];
    for (let f = 0; f + 1 < clip.frameCount; f += step) {
      framePose(skeleton, clip, f, local, pose);
      framePose(skeleton, clip, f + 1, local, next);
      const speed = distanceVec(pose.positions, foot * 3, next.positions, foot * 3) / clip.frameDuration;
      if (speed > STANDING_SPEED * leg) continue;
      const up = new Float64Array(3);
      rotateVecInverse(up, 0, pose.rotations, foot * 4, UP, 0);
      still.push({ height: pose.positions[foot * 3 + 1]!, up });
    }
    still.sort((a, b) => a.height - b.height);
    const low = still[Math.floor(still.length * 0.1)]?.height ?? 0;
    const standing = still.filter(({ height }) => Math.abs(height - low) < STANDING_HEIGHT * leg);
    if (standing.length < ENOUGH_FRAMES || low > 0.5 * leg) continue;
    result.soleUp[side] = centralDirection(standing.map(({ up }) => up));
    result.ankleHeight[side] = standing[Math.floor(standing.length / 2)]!.height;
  }
  return result;
}

/** Mean direction of the half that lies nearest to the mean of all: frames of a lifted heel do not count. */
function centralDirection(directions: readonly Float64Array[]): Float64Array {
  const meanOf = (list: readonly Float64Array[]): Float64Array => {
    const out = new Float64Array(3);
    for (const d of list) addVec(out, 0, out, 0, d, 0);
    normalizeVec(out, 0);
    return out;
  };
  const rough = meanOf(directions);
  const sorted = [...directions].sort((a, b) => dotVec(b, 0, rough, 0) - dotVec(a, 0, rough, 0));
  return meanOf(sorted.slice(0, Math.ceil(sorted.length / 2)));
}

/**
 * Height of each ankle joint above its sole in the reference pose, metres: to the lowest vertex that foot or toes move,
 * or, without a mesh, to the lowest joint or tip of the foot; where neither exists, to the floor at y = 0.
 * @returns left and right
 */
export function restAnkleHeights(skeleton: Skeleton, roles: RoleMap, skins: readonly SkinMesh[]): [number, number] {
  const pose = restWorldPose(skeleton);
  const heights = SIDES.map((side) => {
    const foot = roles[sidedRole(side, 'Foot')] ?? roles[sidedRole(side, 'LowerLeg')];
    if (foot === undefined) return 0;
    let low = Number.POSITIVE_INFINITY;
    for (const skin of skins) low = Math.min(low, lowestVertex(skeleton, skin, foot));
    if (low === Number.POSITIVE_INFINITY) {
      for (let j = foot; j < skeleton.subtreeEnd[foot]!; j++) low = Math.min(low, pose.positions[j * 3 + 1]!);
      for (const tip of skeleton.tips) {
        if (tip.joint < foot || tip.joint >= skeleton.subtreeEnd[foot]!) continue;
        low = Math.min(low, tipPoint(pose, tip.joint, tip.offset)[1]!);
      }
    }
    const ankle = ankleOf(skeleton, roles, side, pose.positions);
    return Math.max(0, ankle - Math.min(low, ankle));
  });
  return [heights[0]!, heights[1]!];
}

function ankleOf(skeleton: Skeleton, roles: RoleMap, side: Side, positions: Float64Array): number {
  const foot = roles[sidedRole(side, 'Foot')];
  if (foot !== undefined) return positions[foot * 3 + 1]!;
  // A leg without a foot joint ends where its last segment does.
  const knee = roles[sidedRole(side, 'LowerLeg')]!;
  const tip = skeleton.tips.find(({ joint }) => joint === knee);
  return tip ? tipPoint(restWorldPose(skeleton), knee, tip.offset)[1]! : positions[knee * 3 + 1]!;
}

/** Lowest point of what the joints from `foot` down move by more than half, metres; +∞ when there is none. */
function lowestVertex(skeleton: Skeleton, skin: SkinMesh, foot: number): number {
  const end = skeleton.subtreeEnd[foot]!;
  const vertices = new Float64Array(skin.vertexCount * 3);
  skinVertices(skin, restWorldPose(skeleton), vertices, new Float64Array(skin.bind.length));
  let low = Number.POSITIVE_INFINITY;
  for (let v = 0; v < skin.vertexCount; v++) {
    let weight = 0;
    for (let i = v * skin.influences; i < (v + 1) * skin.influences; i++) {
      const j = skin.joints[i]!;
      if (j >= foot && j < end) weight += skin.weights[i]!;
    }
    if (weight > 0.5) low = Math.min(low, vertices[v * 3 + 1]!);
  }
  return low;
}
