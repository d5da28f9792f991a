import { sideOf } from '../pairing/roles.ts';
import type { SkinMesh } from '../skeleton/skin.ts';
import { FINDING_RULES, type Finding, type FindingPlace } from './finding.ts';
import { mirrorVertices } from './mirror-vertices.ts';
import { finding, meshPlace } from './report.ts';
import { distanceToBones, type RigView } from './view.ts';
import { leaderOf } from './weights.ts';

/**
 * Where weights reach: too far from their joint, and whether both sides reach alike.
 * @param others  findings whose vertices are not told again for not being mirrored
 */
export function checkSpread(view: RigView, others: readonly Finding[]): Finding[] {
  const bleed = bleeding(view);
  return [...bleed, ...unmirrored(view, [...others, ...bleed])];
}

/** Fewer vertices than this are a slip of the brush that nobody sees. */
const FEWEST_VERTICES = 3;
/** Share of a joint's own vertices that lie within its reach. */
const REACH_SHARE = 0.95;
/** A joint with fewer vertices of its own than this has no reach that could be measured. */
const REACH_VERTICES = 6;
/**
 * A vertex further away than this many reaches is at a distance: by how near the two joints are in the tree. Neighbours
 * blend into each other. By trial on rigs whose weights look sound; no source.
 */
const FAR = { neighbours: 4, near: 3, others: 2 };
/** On the other side of the body a joint should not move what is out of its own reach. */
const FAR_ACROSS = 1.2;
/** From this weight on a drag is a fault, below a warning. */
const STRONG = 0.15;
/** Least reach, as a share of leg length: thin fingers. */
const LEAST_REACH = 0.03;
/** On the other side of the body: nearer to the partner's bones than to the joint's own by this factor. */
const OTHER_SIDE = 0.75;

/**
 * Weight at a distance. A joint's reach is how far the vertices that it leads lie from its bones (95 % of them). A
 * vertex that another joint leads is dragged when this one moves it by a twentieth or more and it lies far out of
 * this one's reach, or out of its reach on the other side of the body, nearer to the partner's bones.
 */
function bleeding(view: RigView): Finding[] {
  const { skeleton, legLength, roleOf, mirror, segments } = view;
  const reach = reaches(view);
  const where: FindingPlace[] = [];
  const least = FINDING_RULES.bleed.threshold;
  view.skins.forEach((skin, mesh) => {
    const points = view.vertices[mesh]!;
    const dragged = new Map<number, { vertices: number[]; most: number; led: Map<number, number> }>();
    for (let v = 0; v < skin.vertexCount; v++) {
      const leader = leaderOf(view, mesh, v);
      if (leader < 0 || roleOf[leader] === null) continue;
      for (let i = v * skin.influences; i < (v + 1) * skin.influences; i++) {
        const w = skin.weights[i]!;
        const j = skin.joints[i]!;
        if (w < least || j === leader || !(reach[j]! > 0)) continue;
        const apart = distanceToBones(segments[j]!, points, v);
        const far = apart / Math.max(reach[j]!, LEAST_REACH * legLength);
        const partner = mirror[j]!;
        const side = roleOf[j] ? sideOf(roleOf[j]!) : null;
        const leaderSide = sideOf(roleOf[leader]!);
        const isAcross =
          side !== null &&
          leaderSide !== null &&
          side !== leaderSide &&
          partner >= 0 &&
          far > FAR_ACROSS &&
          distanceToBones(segments[partner]!, points, v) < OTHER_SIDE * apart;
        if (!isAcross && far <= FAR[kinship(view, j, leader)]) continue;
        // Nearer to this joint than to the one that leads it: it is the leader that is wrong, or neither.
        if (apart <= distanceToBones(segments[leader]!, points, v)) continue;
        const found = dragged.get(j) ?? { vertices: [], most: 0, led: new Map<number, number>() };
        dragged.set(j, found);
        if (found.vertices[found.vertices.length - 1] !== v) found.vertices.push(v);
        found.most = Math.max(found.most, w);
        found.led.set(leader, (found.led.get(leader) ?? 0) + 1);
      }
    }
    for (const [j, { vertices, most, led }] of dragged) {
      if (vertices.length < FEWEST_VERTICES) continue;
      const victim = [...led].sort((a, b) => b[1] - a[1])[0]![0];
      const note = `"${skeleton.names[j]}" moves skin of "${skeleton.names[victim]}", by up to ${Math.round(most * 100)} %`;
      where.push(meshPlace(view, mesh, vertices, [j], most, note));
    }
  });
  const isStrong = where.some(({ value }) => value >= STRONG);
  return finding('bleed', where, { severity: isStrong ? 'fault' : 'warning' });
}

/** How near two joints are in the tree of the joints that have a role. */
function kinship(view: RigView, a: number, b: number): keyof typeof FAR {
  const up = (j: number): number => {
    let p = j < 0 ? -1 : view.skeleton.parents[j]!;
    while (p >= 0 && view.roleOf[p] === null) p = view.skeleton.parents[p]!;
    return p;
  };
  const [aboveA, aboveB] = [up(a), up(b)];
  if (aboveA === b || aboveB === a) return 'neighbours';
  return up(aboveA) === b || up(aboveB) === a || aboveA === aboveB ? 'near' : 'others';
}

/** How far each joint's own vertices lie from its bones, m; 0 where it has no role or too few. */
function reaches(view: RigView): Float64Array {
  const { skeleton, roleOf, helperOf, segments } = view;
  const distances: number[][] = Array.from({ length: skeleton.jointCount }, () => []);
  view.skins.forEach((skin, mesh) => {
    for (let v = 0; v < skin.vertexCount; v++) {
      const j = leaderOf(view, mesh, v);
      if (j >= 0 && (roleOf[j] !== null || helperOf[j]?.kind === 'twist'))
        distances[j]!.push(distanceToBones(segments[j]!, view.vertices[mesh]!, v));
    }
  });
  return Float64Array.from(distances, (list) => {
    if (list.length < REACH_VERTICES) return 0;
    list.sort((a, b) => a - b);
    return list[Math.floor(REACH_SHARE * (list.length - 1))]!;
  });
}

/** Fewer vertices weighted differently than this share of those of their joint are left alone. */
const FEWEST_UNMIRRORED = 6;

/** Vertices of the left whose mirror image follows the mirrored joints in another measure. */
function unmirrored(view: RigView, others: readonly Finding[]): Finding[] {
  const where: FindingPlace[] = [];
  const limit = FINDING_RULES['weight-mirror'].threshold;
  view.skins.forEach((skin, mesh) => {
    const partners = mirrorVertices(view, mesh);
    if (!partners) return;
    const told = verticesOf(others, skin.name);
    const byJoint = new Map<number, { vertices: number[]; most: number }>();
    const own = new Map<number, number>();
    for (let v = 0; v < skin.vertexCount; v++) {
      const other = partners[v]!;
      if (other < 0 || view.vertices[mesh]![v * 3]! < view.middle || other === v) continue;
      const isSkipped = told.has(v) || told.has(other);
      const sum = sumOf(skin, v);
      const otherSum = sumOf(skin, other);
      if (isSkipped || sum === 0 || otherSum === 0) continue;
      own.clear();
      let isKnown = true;
      for (let i = v * skin.influences; i < (v + 1) * skin.influences; i++) {
        const j = skin.joints[i]!;
        if (skin.weights[i]! <= 0) continue;
        if (view.mirror[j]! < 0) isKnown = false;
        own.set(j, (own.get(j) ?? 0) + skin.weights[i]! / sum);
      }
      for (let i = other * skin.influences; i < (other + 1) * skin.influences; i++) {
        if (skin.weights[i]! <= 0) continue;
        const j = view.mirror[skin.joints[i]!]!;
        if (j < 0) isKnown = false;
        else own.set(j, (own.get(j) ?? 0) - skin.weights[i]! / otherSum);
      }
      if (!isKnown) continue;
      let apart = 0;
      for (const difference of own.values()) apart += Math.abs(difference) / 2;
      if (apart <= limit) continue;
      const leader = leaderOf(view, mesh, v);
      const found = byJoint.get(leader) ?? { vertices: [], most: 0 };
      byJoint.set(leader, found);
      found.vertices.push(v);
      found.most = Math.max(found.most, apart);
    }
    for (const [joint, { vertices, most }] of byJoint) {
      if (vertices.length < FEWEST_UNMIRRORED) continue;
      const partner = view.mirror[joint]!;
      const joints = partner >= 0 && partner !== joint ? [joint, partner] : [joint];
      where.push(
        meshPlace(
          view,
          mesh,
          vertices,
          joints,
          most,
          `up to ${Math.round(most * 100)} % of the weight differs; vertices of the left`,
        ),
      );
    }
  });
  return finding('weight-mirror', where);
}

/** Vertices of a mesh that other findings name already. */
function verticesOf(findings: readonly Finding[], mesh: string): Set<number> {
  const told = new Set<number>();
  for (const { where } of findings)
    for (const { mesh: name, vertices } of where)
      for (const [first, last] of name === mesh ? vertices : []) for (let v = first; v <= last; v++) told.add(v);
  return told;
}

function sumOf({ influences, weights }: SkinMesh, v: number): number {
  let sum = 0;
  for (let i = v * influences; i < (v + 1) * influences; i++) sum += Math.max(0, weights[i]!);
  return sum;
}
