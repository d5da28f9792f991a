import { RigproofError } from '../errors.ts';
import { rotateAddVec, rotateVecInverse, rotateXyz } from '../math/quat.ts';
import { addVec, distanceVec, subVec } from '../math/vec.ts';
import { type RoleMap, sidedRole } from '../pairing/roles.ts';
import { type Clip, framePose, restLocalPose } from '../skeleton/clip.ts';
import { SIDES, type Side } from '../skeleton/side.ts';
import { createWorldPose, isWithin, restWorldPose, type Skeleton, type WorldPose } from '../skeleton/skeleton.ts';
import { type SkinMesh, skinVertices } from '../skeleton/skin.ts';
import { type FootPoints, quantile } from './motion.ts';

type Vec = [number, number, number];

/** The points of one foot that meet the ground. Positions in the frame of `joint`, metres. */
export interface Sole {
  /** The foot joint; the lower leg where the figure has no foot joint. */
  joint: number;
  heel: Vec;
  ball: Vec;
  toeTip: Vec;
  /** Ends of the tread: behind, over which a foot rolls with its toes up, and in front, over which a stiff one rolls. */
  rear: Vec;
  front: Vec;
  /** The toes joint, if there is one, and the toe tip in its frame. */
  toesJoint: number | null;
  toeTipInToes: Vec | null;
  /** The front end of the tread in the frame of the toes joint. */
  frontInToes: Vec | null;
  /** Height of the joint above the sole when the foot stands flat. */
  soleHeight: number;
  /** From heel end to toe tip. */
  length: number;
  /** Whether it was measured on the skinned mesh or laid out from joints. */
  source: 'mesh' | 'joints';
}

/** Fewer vertices do not make a foot. */
const VERTICES_MIN = 8;
/** Vertices this near to the lowest (share of the foot length) are the tread. */
const TREAD = 0.03;
/** The rear edge of the tread is sought in what lies this near to the lowest vertex of the heel. */
const EDGE = 0.01;
/** What is lower than this over the lowest vertex (share of the leg) is the sole; above it the foot may be of any shape. */
const SOLE_HEIGHT = 0.05;
/** What is lower than this share of the ankle's height is part of the foot, whatever joint it is bound to. */
const SHANK_SHARE = 0.5;
/** The heel is looked for in so much of the foot from behind, ball and toes in the rest of it from here on. */
const HEEL_SHARE = 0.35;
const FORE_SHARE = 0.5;
/** The ball lies at this share of the foot from behind where no toes joint tells (value from memory). */
const BALL_SHARE = 0.73;
/** A toes joint further back or forward than this is not at the ball. */
const BALL_SHARE_MIN = 0.45;
const BALL_SHARE_MAX = 0.92;
/**
 * Without a mesh: the heel's tread lies behind the ankle by this share of the distance from ankle to ball. Heel to ankle
 * is about a quarter, ankle to ball about a half of the foot, and the tread begins in front of its rear edge (common
 * practice in building figures, no source).
 */
const HEEL_BEHIND_ANKLE = 0.3;
/** Ankle height over thigh and shank: 0.039 / (0.530 − 0.039) of stature (Drillis & Contini 1966, as in Winter). */
const ANKLE_HEIGHT = 0.079;
/**
 * A foot that dips more steeply from ankle to toes points; it does not stand. Stocky figures with high ankles reach 50
 * degrees.
 */
const DIP_MAX = Math.sin((65 * Math.PI) / 180);

/**
 * Heel, ball and toe tip of both feet, fixed in the frame of the foot joint: from the mesh the lowest skinned vertices of
 * foot and toes, behind and in front; without a mesh from the joints and tips. Only the foot joint is asked, so a foot
 * that is not below its shank is as good as any.
 *
 * @param skeleton, skins  in world space (metres, Y up)
 * @param poses  a pose of each side in which that foot stands flat; the rest pose when absent
 * @throws CONTACT_NO_FOOT  where a side has neither a foot nor a lower leg
 */
export function soleOf(
  skeleton: Skeleton,
  roles: RoleMap,
  skins: readonly SkinMesh[] = [],
  poses?: Record<Side, WorldPose>,
): Record<Side, Sole> {
  const rest = poses ?? bothSides(restWorldPose(skeleton));
  const sole = (side: Side) => {
    const foot = footOf(skeleton, roles, side, rest[side]);
    return soleFromMesh(foot, skins) ?? soleFromJoints(foot, poses === undefined);
  };
  return { left: sole('left'), right: sole('right') };
}

/**
 * The same for a figure that has no mesh but moves: each sole is laid out in the frame of the clip in which that foot
 * stands as it usually stands. A zero pose need not be a posture.
 */
export function soleOfMotion(skeleton: Skeleton, clip: Clip, roles: RoleMap): Record<Side, Sole> {
  return soleOf(skeleton, roles, [], {
    left: framePoseAt(skeleton, clip, standingFrame(skeleton, clip, roles, 'left')),
    right: framePoseAt(skeleton, clip, standingFrame(skeleton, clip, roles, 'right')),
  });
}

/** A figure's feet in its own motion: their points, and where these go (`footTrajectories`). */
export interface MovingFeet {
  soles: Record<Side, Sole>;
  points: Record<Side, FootPoints>;
}

/** Soles as they stand in a motion, and their trajectories. Allocates its result; throws what `soleOf` throws. */
export function feetOfMotion(skeleton: Skeleton, clip: Clip, roles: RoleMap): MovingFeet {
  const soles = soleOfMotion(skeleton, clip, roles);
  return { soles, points: footTrajectories(skeleton, clip, soles) };
}

/** Leg length, hip to floor, metres: thigh, shank and the height of the ankle over the sole; the longer leg counts. */
export function legLengthOf(skeleton: Skeleton, roles: RoleMap, sole: Record<Side, Sole>): number {
  const pose = restWorldPose(skeleton);
  let longest = 0;
  for (const side of SIDES) {
    const chain = [sidedRole(side, 'UpperLeg'), sidedRole(side, 'LowerLeg'), sidedRole(side, 'Foot')].map(
      (role) => roles[role],
    );
    let length = sole[side].soleHeight;
    for (let i = 1; i < chain.length; i++) {
      const [above, below] = [chain[i - 1], chain[i]];
      if (above !== undefined && below !== undefined)
        length += distance(positionOf(pose, above), positionOf(pose, below));
    }
    longest = Math.max(longest, length);
  }
  return longest;
}

/** Trajectories of heel and ball of both feet, frames × 3 each, in the space of the skeleton. Allocates its result. */
export function footTrajectories(skeleton: Skeleton, clip: Clip, sole: Record<Side, Sole>): Record<Side, FootPoints> {
  const side = ({ joint, heel, ball }: Sole): FootPoints => {
    const [heels, balls] = pointTrajectories(skeleton, clip, joint, [heel, ball]);
    return { heel: heels!, ball: balls! };
  };
  return { left: side(sole.left), right: side(sole.right) };
}

/** Trajectories of points fixed in the frame of one joint, frames × 3 each: forward kinematics of its ancestors only. */
export function pointTrajectories(
  skeleton: Skeleton,
  clip: Clip,
  joint: number,
  points: readonly Vec[],
): Float64Array[] {
  const chain: number[] = [];
  for (let j = joint; j >= 0; j = skeleton.parents[j]!) chain.unshift(j);
  // Where in the clip's translations a joint of the chain is found; -1: it keeps its rest offset.
  const slots = Int16Array.from(chain, (j) => clip.translationJoints.indexOf(j));
  const out = points.map(() => new Float64Array(clip.frameCount * 3));
  const at = Float64Array.from(points.flat());
  const joints = Int16Array.from(chain);
  const rotation = new Float64Array(4);
  const position = new Float64Array(3);
  for (let f = 0; f < clip.frameCount; f++) {
    endOfChain(skeleton, clip, f, joints, slots, rotation, position);
    for (let i = 0; i < out.length; i++) rotateAddVec(out[i]!, f * 3, rotation, 0, at, i * 3, position, 0);
  }
  return out;
}

/**
 * World rotation and position of the last joint of a chain that begins at a root. Tried before: the vector kernels a joint,
 * which took twice the time, since most of a chain's work is to read Float32 and to write what is read again at once.
 */
function endOfChain(
  { restTranslations }: Skeleton,
  { jointCount, rotations, translations, translationJoints }: Clip,
  f: number,
  joints: Int16Array,
  slots: Int16Array,
  rotation: Float64Array,
  position: Float64Array,
): void {
  const row = f * translationJoints.length;
  let x = 0;
  let y = 0;
  let z = 0;
  let w = 1;
  let px = 0;
  let py = 0;
  let pz = 0;
  for (let i = 0; i < joints.length; i++) {
    const j = joints[i]!;
    const slot = slots[i]!;
    const t = slot >= 0 ? (row + slot) * 3 : j * 3;
    const ox = slot >= 0 ? translations[t]! : restTranslations[t]!;
    const oy = slot >= 0 ? translations[t + 1]! : restTranslations[t + 1]!;
    const oz = slot >= 0 ? translations[t + 2]! : restTranslations[t + 2]!;
    const tx = 2 * (y * oz - z * oy);
    const ty = 2 * (z * ox - x * oz);
    const tz = 2 * (x * oy - y * ox);
    px += ox + w * tx + y * tz - z * ty;
    py += oy + w * ty + z * tx - x * tz;
    pz += oz + w * tz + x * ty - y * tx;
    const q = (f * jointCount + j) * 4;
    const bx = rotations[q]!;
    const by = rotations[q + 1]!;
    const bz = rotations[q + 2]!;
    const bw = rotations[q + 3]!;
    const nx = w * bx + x * bw + y * bz - z * by;
    const ny = w * by - x * bz + y * bw + z * bx;
    const nz = w * bz + x * by - y * bx + z * bw;
    w = w * bw - x * bx - y * by - z * bz;
    x = nx;
    y = ny;
    z = nz;
  }
  rotation[0] = x;
  rotation[1] = y;
  rotation[2] = z;
  rotation[3] = w;
  position[0] = px;
  position[1] = py;
  position[2] = pz;
}

function bothSides(pose: WorldPose): Record<Side, WorldPose> {
  return { left: pose, right: pose };
}

function framePoseAt(skeleton: Skeleton, clip: Clip, f: number): WorldPose {
  const pose = createWorldPose(skeleton.jointCount);
  framePose(skeleton, clip, f, restLocalPose(skeleton), pose);
  return pose;
}

/** A foot in a pose: what both ways of measuring need. World space. */
interface Foot {
  skeleton: Skeleton;
  pose: WorldPose;
  joint: number;
  lowerLeg: number | null;
  toesJoint: number | null;
  ankle: Vec;
  /** Where the toes begin, and where they end, as far as joints and tips tell. */
  toes: Vec | null;
  tip: Vec | null;
  /** Horizontal, unit. */
  forward: Vec;
  /** Thigh and shank, metres, as twice the thigh; 0 where it is not known. */
  legLength: number;
}

function footOf(skeleton: Skeleton, roles: RoleMap, side: Side, pose: WorldPose): Foot {
  const lowerLeg = roles[sidedRole(side, 'LowerLeg')] ?? null;
  const upperLeg = roles[sidedRole(side, 'UpperLeg')] ?? null;
  const joint = roles[sidedRole(side, 'Foot')] ?? lowerLeg;
  if (joint === null) {
    throw new RigproofError(
      'CONTACT_NO_FOOT',
      `The figure has neither a ${side} foot nor a ${side} lower leg.`,
      {},
      {
        hint: 'Contacts need legs. Give the missing joint its role in the mapping.',
      },
    );
  }
  const ankle = positionOf(pose, joint);
  const toesJoint = roles[sidedRole(side, 'Toes')] ?? null;
  const toes = toesJoint === null ? null : positionOf(pose, toesJoint);
  const tip = farthest(ankle, [
    ...skeleton.tips
      .filter(
        (t) => isWithin(skeleton, joint, t.joint) || (toesJoint !== null && isWithin(skeleton, toesJoint, t.joint)),
      )
      .map((t) => toWorld(pose, t.joint, [...t.offset])),
  ]);
  const reach = toes ?? tip;
  const facing = facingOf(roles, pose);
  let forward = facing;
  if (reach) {
    const flat: Vec = [reach[0] - ankle[0], 0, reach[2] - ankle[2]];
    const along = Math.hypot(flat[0], flat[2]);
    const dip = Math.abs(reach[1] - ankle[1]) / Math.max(distance(reach, ankle), 1e-9);
    if (along > 1e-6 && dip < DIP_MAX) forward = [flat[0] / along, 0, flat[2] / along];
  }
  let legLength = 0;
  if (upperLeg !== null && lowerLeg !== null) {
    // A shank is about as long as its thigh; a detached foot may stand anywhere.
    legLength = 2 * distance(positionOf(pose, upperLeg), positionOf(pose, lowerLeg));
  }
  return { skeleton, pose, joint, lowerLeg, toesJoint, ankle, toes, tip, forward, legLength };
}

/** Where the body faces, horizontally: square to the line from thigh to thigh. +Z where that is not known. */
function facingOf(roles: RoleMap, pose: WorldPose): Vec {
  const { leftUpperLeg, rightUpperLeg } = roles;
  if (leftUpperLeg === undefined || rightUpperLeg === undefined) return [0, 0, 1];
  const left = positionOf(pose, leftUpperLeg);
  const right = positionOf(pose, rightUpperLeg);
  const [x, z] = [left[0] - right[0], left[2] - right[2]];
  const along = Math.hypot(x, z);
  return along > 1e-6 ? [-z / along, 0, x / along] : [0, 0, 1];
}

function soleFromMesh(foot: Foot, skins: readonly SkinMesh[]): Sole | null {
  const { all, own } = footVertices(foot, skins);
  if (all.length < VERTICES_MIN) return null;
  const { ankle, forward } = foot;
  // Foot coordinates: along (forward), up, across, from the ankle.
  const inFoot = ([x, y, z]: Vec): FootVertex => {
    const [dx, dz] = [x - ankle[0], z - ankle[2]];
    return { along: dx * forward[0] + dz * forward[2], up: y - ankle[1], across: dx * forward[2] - dz * forward[0] };
  };
  const local = all.map(inFoot);
  const rear = Math.min(...extremes(local, 'along'));
  const front = Math.max(...extremes(local, 'along'));
  const length = front - rear;
  if (!(length > 0)) return null;
  const heelPart = local.filter((v) => v.along <= rear + HEEL_SHARE * length);
  const forePart = local.filter((v) => v.along >= rear + FORE_SHARE * length);
  const tipPart = local.filter((v) => v.along >= front - 0.08 * length);
  if (heelPart.length === 0 || forePart.length === 0) return null;
  const heelUp = extremes(heelPart, 'up')[0];
  const foreUp = extremes(forePart, 'up')[0];
  const heelTread = heelPart.filter((v) => v.up <= heelUp + TREAD * length);
  const edges = treadEnds(own.map(inFoot), foot.legLength);
  let ballAcross: number | null = null;
  let ballAlong = edges.back + BALL_SHARE * (edges.front.along - edges.back);
  if (foot.toes) {
    const share = ((foot.toes[0] - ankle[0]) * forward[0] + (foot.toes[2] - ankle[2]) * forward[2] - rear) / length;
    if (share > BALL_SHARE_MIN && share < BALL_SHARE_MAX) {
      ballAlong = rear + share * length;
      ballAcross = (foot.toes[0] - ankle[0]) * forward[2] - (foot.toes[2] - ankle[2]) * forward[0];
    }
  }
  const world = (along: number, up: number, across: number): Vec => [
    ankle[0] + along * forward[0] + across * forward[2],
    ankle[1] + up,
    ankle[2] + along * forward[2] - across * forward[0],
  ];
  const atBall = local.filter((v) => Math.abs(v.along - ballAlong) < 0.1 * length);
  const ballTread = lowestOf(atBall.length > 0 ? atBall : forePart, EDGE * length);
  return soleAt(
    foot,
    {
      heel: world(middle(heelTread, 'along'), heelUp, middle(heelTread, 'across')),
      ball: world(ballAlong, extremes(ballTread, 'up')[0], ballAcross ?? middle(ballTread, 'across')),
      toeTip: world(front, extremes(tipPart, 'up')[0], middle(tipPart, 'across')),
      rear: world(edges.rear.along, edges.rear.up, edges.rear.across),
      front: world(edges.front.along, edges.front.up, edges.front.across),
    },
    -Math.min(heelUp, foreUp),
    'mesh',
  );
}

/** The low part of a foot: where it begins, where its tread begins, and where it ends. */
function treadEnds(
  local: readonly FootVertex[],
  legLength: number,
): { back: number; rear: FootVertex; front: FootVertex } {
  const lowest = extremes(local, 'up')[0];
  const sole = local.filter((v) => v.up <= lowest + SOLE_HEIGHT * legLength || legLength === 0);
  const [back, front] = extremes(sole, 'along');
  const length = front - back;
  const heel = lowestOf(
    sole.filter((v) => v.along <= back + HEEL_SHARE * length),
    EDGE * length,
  );
  const toe = lowestOf(
    sole.filter((v) => v.along >= front - 0.1 * length),
    EDGE * length,
  );
  return {
    back,
    rear: { along: extremes(heel, 'along')[0], up: extremes(heel, 'up')[0], across: middle(heel, 'across') },
    front: { along: front, up: extremes(toe, 'up')[0], across: middle(toe, 'across') },
  };
}

function lowestOf(vertices: readonly FootVertex[], within: number): FootVertex[] {
  const lowest = extremes(vertices, 'up')[0];
  return vertices.filter((v) => v.up <= lowest + within);
}

interface FootVertex {
  along: number;
  up: number;
  across: number;
}

function extremes(vertices: readonly FootVertex[], axis: keyof FootVertex): [number, number] {
  let least = Number.POSITIVE_INFINITY;
  let most = Number.NEGATIVE_INFINITY;
  for (const v of vertices) {
    if (v[axis] < least) least = v[axis];
    if (v[axis] > most) most = v[axis];
  }
  return [least, most];
}

function middle(vertices: readonly FootVertex[], axis: keyof FootVertex): number {
  const [least, most] = extremes(vertices, axis);
  return (least + most) / 2;
}

/**
 * World positions of the vertices of the foot, with what of the shank is as low; and of those that move with it: the end of
 * the shank where the foot carries none.
 */
function footVertices(foot: Foot, skins: readonly SkinMesh[]): { all: Vec[]; own: Vec[] } {
  const { skeleton, joint, toesJoint, lowerLeg, ankle, pose } = foot;
  const ofFoot = new Uint8Array(skeleton.jointCount);
  const ofShank = new Uint8Array(skeleton.jointCount);
  for (let j = 0; j < skeleton.jointCount; j++) {
    if (isWithin(skeleton, joint, j) || (toesJoint !== null && isWithin(skeleton, toesJoint, j))) ofFoot[j] = 1;
    if (lowerLeg !== null && isWithin(skeleton, lowerLeg, j)) ofShank[j] = 1;
  }
  const feet: Vec[] = [];
  const shanks: Vec[] = [];
  for (const mesh of skins) {
    const positions = new Float64Array(mesh.vertexCount * 3);
    skinVertices(mesh, pose, positions, new Float64Array(mesh.bind.length));
    for (let v = 0; v < mesh.vertexCount; v++) {
      let [sum, own, shank] = [0, 0, 0];
      for (let i = v * mesh.influences; i < (v + 1) * mesh.influences; i++) {
        const w = mesh.weights[i]!;
        sum += w;
        if (ofFoot[mesh.joints[i]!]) own += w;
        if (ofShank[mesh.joints[i]!]) shank += w;
      }
      if (sum <= 0) continue;
      const at: Vec = [positions[v * 3]!, positions[v * 3 + 1]!, positions[v * 3 + 2]!];
      if (own >= 0.5 * sum) feet.push(at);
      else if (own + shank >= 0.5 * sum) shanks.push(at);
    }
  }
  if (feet.length >= VERTICES_MIN && joint !== lowerLeg) {
    // The back of a shoe is often bound to the shank: what of it is as low as the sole belongs to the foot.
    let lowest = Number.POSITIVE_INFINITY;
    for (const [, y] of feet) lowest = Math.min(lowest, y);
    const reach = Math.max(ankle[1] - lowest, 0) * SHANK_SHARE;
    return { all: [...feet, ...shanks.filter(([, y]) => y <= lowest + reach)], own: feet };
  }
  // The lowest part of the shank: down from the ankle, or its last fifth where it has no foot joint.
  const legs = [...feet, ...shanks];
  let [low, high] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
  for (const [, y] of legs) {
    low = Math.min(low, y);
    high = Math.max(high, y);
  }
  const top = joint === lowerLeg ? low + 0.2 * (high - low) : Math.max(ankle[1], low + 0.1 * (high - low));
  const ends = legs.filter(([, y]) => y <= top);
  return { all: ends, own: ends };
}

/** @param resting  whether the pose is the rest pose, which stands on y = 0 */
function soleFromJoints(foot: Foot, resting: boolean): Sole {
  const { ankle, toes, tip, forward, legLength } = foot;
  if (foot.joint === foot.lowerLeg) return soleOfShank(foot);
  const reach = toes ?? tip;
  // Where nothing lies below the ankle, a figure that rests near the floor stands on it: its ankle may be on its sole.
  const standsOnFloor = resting && ankle[1] > -0.02 * legLength && ankle[1] < 3 * ANKLE_HEIGHT * legLength;
  const typicalHeight = standsOnFloor ? Math.max(0, ankle[1]) : ANKLE_HEIGHT * legLength;
  const typicalReach = 1.4 * ANKLE_HEIGHT * legLength;
  let height = typicalHeight;
  let along = typicalReach;
  let across = 0;
  let tipAlong = along * 1.4;
  if (reach) {
    const flat = (v: Vec) => (v[0] - ankle[0]) * forward[0] + (v[2] - ankle[2]) * forward[2];
    const lowest = Math.max(ankle[1] - reach[1], tip ? ankle[1] - tip[1] : 0);
    if (lowest / Math.max(distance(reach, ankle), 1e-9) < DIP_MAX) {
      height = lowest > 0.25 * typicalHeight ? lowest : typicalHeight;
      along = flat(reach);
      tipAlong = tip && toes ? Math.max(flat(tip), along * 1.05) : along * (toes ? 1.4 : 1);
      if (!toes) along = tipAlong * 0.75;
      across = (reach[0] - ankle[0]) * forward[2] - (reach[2] - ankle[2]) * forward[0];
    } else {
      // A foot that points: level it about the ankle, its length known, its height as usual.
      const dip = Math.min(typicalHeight / distance(reach, ankle), 0.7);
      return pointedSole(foot, reach, dip);
    }
  }
  const world = (a: number, c: number): Vec => [
    ankle[0] + a * forward[0] + c * forward[2],
    ankle[1] - height,
    ankle[2] + a * forward[2] - c * forward[0],
  ];
  return soleAt(
    foot,
    ends(world(-HEEL_BEHIND_ANKLE * along, 0), world(along, across), world(tipAlong, across)),
    height,
  );
}

/** The sole of a leg that ends in its shank: under its tip, or as far below the knee as the thigh is long. */
function soleOfShank(foot: Foot): Sole {
  const { ankle: knee, tip, forward, legLength } = foot;
  const end: Vec = tip ?? [knee[0], knee[1] - legLength / 2, knee[2]];
  const along = 1.4 * ANKLE_HEIGHT * legLength;
  const at = (a: number): Vec => [end[0] + a * forward[0], end[1], end[2] + a * forward[2]];
  return soleAt(foot, ends(at(-HEEL_BEHIND_ANKLE * along), at(along), at(1.4 * along)), knee[1] - end[1]);
}

/** The sole of a foot that points down or up in the pose: square to where its toes would dip by the usual angle. */
function pointedSole(foot: Foot, reach: Vec, dip: number): Sole {
  const { ankle, forward, toes, tip } = foot;
  const d = unit([reach[0] - ankle[0], reach[1] - ankle[1], reach[2] - ankle[2]]);
  // The part of the facing that is square to the foot's long axis points out of the instep when the foot points down.
  const lean = d[0] * forward[0] + d[1] * forward[1] + d[2] * forward[2];
  const instep = unit([forward[0] - lean * d[0], forward[1] - lean * d[1], forward[2] - lean * d[2]]);
  const sign = d[1] < 0 ? 1 : -1;
  const cosine = Math.sqrt(1 - dip * dip);
  const along: Vec = [0, 1, 2].map((k) => cosine * d[k]! + sign * dip * instep[k]!) as Vec;
  const up: Vec = [0, 1, 2].map((k) => -dip * d[k]! + sign * cosine * instep[k]!) as Vec;
  const length = distance(reach, ankle) * cosine;
  const height = distance(reach, ankle) * dip;
  const at = (a: number): Vec => [0, 1, 2].map((k) => ankle[k]! + a * along[k]! - height * up[k]!) as Vec;
  const tipLength = toes && tip ? Math.max(length * 1.05, distance(tip, ankle) * cosine) : length * (toes ? 1.4 : 1);
  const ball = toes ? length : 0.75 * length;
  return soleAt(foot, ends(at(-HEEL_BEHIND_ANKLE * ball), at(ball), at(tipLength)), height);
}

type SolePoints = Record<'heel' | 'ball' | 'toeTip' | 'rear' | 'front', Vec>;

/** A sole that is known by joints alone ends at heel and toe tip. */
function ends(heel: Vec, ball: Vec, toeTip: Vec): SolePoints {
  return { heel, ball, toeTip, rear: heel, front: toeTip };
}

function soleAt(foot: Foot, points: SolePoints, soleHeight: number, source: Sole['source'] = 'joints'): Sole {
  const { pose, joint, toesJoint } = foot;
  return {
    joint,
    heel: toLocal(pose, joint, points.heel),
    ball: toLocal(pose, joint, points.ball),
    toeTip: toLocal(pose, joint, points.toeTip),
    rear: toLocal(pose, joint, points.rear),
    front: toLocal(pose, joint, points.front),
    toesJoint,
    toeTipInToes: toesJoint === null ? null : toLocal(pose, toesJoint, points.toeTip),
    frontInToes: toesJoint === null ? null : toLocal(pose, toesJoint, points.front),
    soleHeight,
    length: distance(points.heel, points.toeTip),
    source,
  };
}

/** A shin that rises less than this share of its length from ankle to knee (75 degrees off the vertical) lies. */
const UPRIGHT = 0.25;

/**
 * The frame in which a foot stands as it usually does: among those in which its shin is over it, its toes are low and it
 * moves little, the one with the median dip from ankle to toes.
 */
export function standingFrame(skeleton: Skeleton, clip: Clip, roles: RoleMap, side: Side): number {
  const joint = roles[sidedRole(side, 'Foot')] ?? roles[sidedRole(side, 'LowerLeg')];
  if (joint === undefined) return 0;
  const toes = roles[sidedRole(side, 'Toes')];
  const tip = skeleton.tips.find((t) => isWithin(skeleton, joint, t.joint));
  const far =
    toes !== undefined
      ? { joint: toes, at: [0, 0, 0] as Vec }
      : tip && { joint: tip.joint, at: [...tip.offset] as Vec };
  const [ankles] = pointTrajectories(skeleton, clip, joint, [[0, 0, 0]]);
  const ends = far ? pointTrajectories(skeleton, clip, far.joint, [far.at])[0]! : ankles!;
  const { frameCount } = clip;
  const upright = uprightFrames(skeleton, clip, roles[sidedRole(side, 'LowerLeg')], joint, ankles!);
  const count = upright.length;
  const heights = Float64Array.from(upright, (f) => ends[f * 3 + 1]!);
  const low = quantile(heights, count, 0.3);
  // Both ends of a flat foot are slow; one that rolls has a fast end.
  const speeds = Float64Array.from(upright, (f) => {
    const a = Math.max(0, f - 1) * 3;
    const b = Math.min(frameCount - 1, f + 1) * 3;
    return distanceVec(ends, a, ends, b) + distanceVec(ankles!, a, ankles!, b);
  });
  const slow = quantile(speeds.slice(), count, 0.3);
  const standing: { f: number; dip: number }[] = [];
  for (let i = 0; i < count; i++) {
    const f = upright[i]!;
    if (ends[f * 3 + 1]! > low || speeds[i]! > slow) continue;
    standing.push({ f, dip: ankles![f * 3 + 1]! - ends[f * 3 + 1]! });
  }
  if (standing.length === 0) return frameCount > 0 ? lowestFrame(ends) : 0;
  standing.sort((a, b) => a.dip - b.dip);
  return standing[standing.length >> 1]!.f;
}

/** Frames in which a shin is over its foot; all of them where it never is, or where nothing tells. */
function uprightFrames(
  skeleton: Skeleton,
  clip: Clip,
  lowerLeg: number | undefined,
  joint: number,
  ankles: Float64Array,
): Int32Array {
  const all = Int32Array.from({ length: clip.frameCount }, (_, f) => f);
  if (lowerLeg === undefined || lowerLeg === joint) return all;
  const [knees] = pointTrajectories(skeleton, clip, lowerLeg, [[0, 0, 0]]);
  const upright = all.filter(
    (f) => knees![f * 3 + 1]! - ankles[f * 3 + 1]! > UPRIGHT * distanceVec(knees!, f * 3, ankles, f * 3),
  );
  return upright.length > 0 ? upright : all;
}

function lowestFrame(point: Float64Array): number {
  let best = 0;
  for (let f = 1; f < point.length / 3; f++) if (point[f * 3 + 1]! < point[best * 3 + 1]!) best = f;
  return best;
}

function positionOf(pose: WorldPose, joint: number): Vec {
  return [pose.positions[joint * 3]!, pose.positions[joint * 3 + 1]!, pose.positions[joint * 3 + 2]!];
}

function toWorld(pose: WorldPose, joint: number, local: Vec): Vec {
  const out = new Float64Array(3);
  rotateXyz(out, 0, pose.rotations, joint * 4, ...local);
  addVec(out, 0, out, 0, pose.positions, joint * 3);
  return [out[0]!, out[1]!, out[2]!];
}

function toLocal(pose: WorldPose, joint: number, world: Vec): Vec {
  const out = Float64Array.from(world);
  subVec(out, 0, out, 0, pose.positions, joint * 3);
  rotateVecInverse(out, 0, pose.rotations, joint * 4, out, 0);
  return [out[0]!, out[1]!, out[2]!];
}

function distance(a: Vec, b: Vec): number {
  return Math.hypot(a[0] - b[0], a[1] - b[1], a[2] - b[2]);
}

function unit(v: Vec): Vec {
  const length = Math.max(Math.hypot(...v), 1e-12);
  return [v[0] / length, v[1] / length, v[2] / length];
}

function farthest(from: Vec, points: readonly Vec[]): Vec | null {
  let best: Vec | null = null;
  for (const point of points) if (!best || distance(point, from) > distance(best, from)) best = point;
  return best;
}
