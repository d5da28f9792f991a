import { isWithin } from '../skeleton/skeleton.ts';
import { type SkinMesh, skinVertices } from '../skeleton/skin.ts';
import type { Foot, Vec } from './foot.ts';
import { type Sole, soleAt } from './sole.ts';

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

/** A sole from the lowest skinned vertices of foot and toes; null where the foot has next to none. */
export function soleFromMesh(foot: Foot, skins: readonly SkinMesh[]): Sole | null {
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
